// What a phone without script does not have: news as they come, "not heard", ticks and a name that stay, and a sound.
"use strict";
(() => {
  const body = document.body, page = body.dataset, UNHEARD_MS = 3000, DEAF_MS = 8000;
  const keep = (store, key, value) => { try { return value === undefined ? store.getItem(key) : store.setItem(key, value); } catch { return null; } };

  // One element becomes the other, and what a person has under the finger stays: ticks, words, focus.
  function morph(old, now) {
    if (old.nodeType !== now.nodeType || old.nodeName !== now.nodeName || old.id !== now.id) { old.replaceWith(now); return; }
    if (old.nodeType !== 1) { if (old.data !== now.data) old.data = now.data; return; }
    for (const { name } of [...old.attributes]) if (!now.hasAttribute(name) && name !== "open") old.removeAttribute(name);
    for (const { name, value } of now.attributes)
      if (!(name === "value" && old.nodeName === "INPUT") && old.getAttribute(name) !== value) old.setAttribute(name, value);
    const were = [...old.childNodes], are = [...now.childNodes];
    are.forEach((child, n) => n < were.length ? morph(were[n], child) : old.append(child));
    were.slice(are.length).forEach(child => child.remove());
  }
  function dress() {
    for (const one of document.querySelectorAll("input[name=token]")) if (!one.value) one.value = page.token || "";
    for (const one of document.querySelectorAll("input[name=by]")) if (!one.value && one !== document.activeElement) one.value = keep(localStorage, "by") || "";
    for (const one of document.querySelectorAll(".steps input")) if (keep(sessionStorage, one.id)) one.checked = true;
  }
  document.addEventListener("change", ({ target }) => {
    if (target.name === "by") keep(localStorage, "by", target.value);
    if (target.closest(".steps")) keep(sessionStorage, target.id, target.checked ? "1" : "");
  });
  function show(parts) {
    for (const [id, text] of Object.entries(parts)) {
      const old = document.getElementById(id), now = new DOMParser().parseFromString(text, "text/html").body.firstElementChild;
      if (old && now) morph(old, document.importNode(now, true));
    }
    dress();
    alarm();
  }

  // A stop: the light's own pattern, long, short, long, short, for as long as it is to be heard.
  let ear = null, loud = 0;
  function hear() {
    const Ear = window.AudioContext || window.webkitAudioContext;
    if (!ear && Ear) ear = new Ear();
    if (ear) ear.resume();
  }
  addEventListener("pointerdown", hear, { once: true });
  addEventListener("keydown", hear, { once: true });
  function tone(at, lasts) {
    const sound = ear.createOscillator(), volume = ear.createGain();
    sound.type = "square"; sound.frequency.value = 2600; volume.gain.value = .25;
    sound.connect(volume).connect(ear.destination);
    sound.start(at); sound.stop(at + lasts);
  }
  function pattern() {
    if (navigator.vibrate) navigator.vibrate([600, 200, 200, 200, 600, 200, 200]);
    if (ear && ear.state === "running") [[0, .6], [.8, .2], [1.2, .6], [2, .2]].forEach(([at, lasts]) => tone(ear.currentTime + at, lasts));
  }
  function alarm() {
    const sounds = !!document.querySelector("[data-sounds]");
    if (sounds && !loud) { pattern(); loud = setInterval(pattern, 4000); }
    if (!sounds && loud) { clearInterval(loud); loud = 0; }
  }

  // A slant: the vertical height that it makes while it is typed, √(slant² − radius²) − offset. The post reckons anew.
  const made = document.getElementById("vertical");
  function reckon() {
    const [slant, radius, offset] = ["slant_m", "radius_m", "offset_m"].map(id => {
      const text = document.getElementById(id).value.trim().replace("−", "-").replace(/\s*m$/, "").replace(",", ".");
      return text === "" ? undefined : /^-?\d{1,6}(\.\d{0,6})?$/.test(text) ? Number(text) : NaN;
    });
    const height = Math.sqrt(slant * slant - radius * radius) - (offset || 0), read = slant >= 0 && radius >= 0 && !(offset !== offset && offset !== undefined);
    made.textContent = !read ? "" : slant > radius && height >= 0 && height <= 20 ? made.dataset.made.replace("{n}", height.toFixed(3)) : made.dataset.none;
  }
  if (made) made.closest("details").addEventListener("input", reckon);

  // The post is heard, or it is not.
  let heard = performance.now(), events = null, unheard = null, asked = 0;
  function listen() {
    if (events) events.close();
    events = new EventSource("/live/" + page.live);
    events.onmessage = ({ data }) => { heard = performance.now(); show(JSON.parse(data)); };
    events.onerror = () => {
      if (events.readyState !== EventSource.CLOSED || performance.now() - asked < 2000) return;
      asked = performance.now();  // the post has forgotten this phone, or is not there
      fetch(location.pathname, { redirect: "manual", cache: "no-store" }).then(
        answer => answer.type === "opaqueredirect" || !page.token ? location.assign("/") : answer.text().then(t => t.includes("data-token") ? listen() : location.assign("/")),
        () => setTimeout(listen, 2000));
    };
  }
  function look() {
    const silent = performance.now() - heard, gone = silent > UNHEARD_MS;
    if (gone !== body.classList.contains("unheard")) body.classList.toggle("unheard", gone);
    body.classList.toggle("stale", gone || !!document.querySelector("[data-state=unheard]"));
    if (gone) unheard.textContent = page.unheard.replace("{n}", Math.floor(silent / 1000));
    if (silent > DEAF_MS && Math.floor(silent / 1000) % 4 === 0) listen();
  }
  dress();
  if (page.live) {
    unheard = document.createElement("p");
    unheard.id = "unheard";
    unheard.setAttribute("role", "alert");
    document.getElementById("main").before(unheard);
    listen();
    alarm();
    setInterval(look, 500);
    document.addEventListener("visibilitychange", () => { if (!document.hidden && performance.now() - heard > UNHEARD_MS) listen(); });
  }
})();
