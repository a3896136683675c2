"""The installer's turns, in a folder in place of the root: who can read what, what is tried first, and the way back.

The system's own tools are small scripts here that keep what they were told; a version of the program is a script that says
what it takes. The whole, with real tools, is tests/systemd/box.
"""

import os
import subprocess
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "systemd"
POSTS = ("alpha", "bravo", "charlie")
PLACES = ("/opt/witnesspost", "/etc/", "/sys/class/net", "/usr/local/bin/", "/var/lib/witnesspost", "/run/witnesspost")

STUBS = {
    "id": "echo 0",
    # A venv whose pip "installs" the program that the test laid down, with the rights that this umask gives.
    "python3": """
[ "$1" = -m ] || exit 0
mkdir -p "$3/bin" "$3/lib"
cat >"$3/bin/pip" <<'PIP'
#!/bin/sh
(umask 077; cp "$ROOT/program" "$(dirname "$0")/witnesspost"; chmod 700 "$(dirname "$0")/witnesspost")
(umask 077; echo x >"$(dirname "$0")/../lib/module.py")
PIP
chmod 755 "$3/bin/pip"
""",
    # Nobody but root may run what others cannot read: as the kernel has it.
    "runuser": """
shift 3
program=$1
while [ "$program" != "$ROOT" ] && [ "$program" != / ]; do
    case $(stat -L -c %A "$program") in *r?x) ;; *) echo "$program: Permission denied" >&2; exit 126 ;; esac
    program=$(dirname "$program")
done
exec "$@"
""",
    "systemctl": """
echo "$@" >>"$ROOT/told"
case "$*" in
    list-units*) for post in $(ls "$ROOT/posts"); do echo "witnesspost@$post.service loaded"; done ;;
    *is-active*) for last; do :; done
        name=${last#witnesspost@}; [ "$(cat "$ROOT/posts/${name%.service}")" = active ] ;;
    "restart witnesspost@"*) name=${2#witnesspost@}; name=${name%.service}
        echo failed >"$ROOT/posts/$name"
        ! "$ROOT/opt/witnesspost/venv/bin/witnesspost" watch "$name" || echo active >"$ROOT/posts/$name"
        [ "$(cat "$ROOT/posts/$name")" = active ] || exit 1
        [ ! -e "$ROOT/ends-soon/$name" ] || echo failed >"$ROOT/posts/$name" ;;
esac
""",
    # The machine of the tests has no group of the service: the file is put where it belongs, by whoever runs them.
    "install": 'case "$*" in "-m 640 -g witnesspost "*) shift 4; set -- -m 640 "$@" ;; esac; exec /usr/bin/install "$@"',
    "systemd-sysusers": "",
    "systemd-tmpfiles": 'mkdir -p "$ROOT/etc/witnesspost"',
    "udevadm": "",
    "chown": 'echo chown "$@" >>"$ROOT/told"',
    "chgrp": 'echo chgrp "$@" >>"$ROOT/told"',
    "sleep": "",
}
PROGRAM = """#!/bin/sh
# version {version}
case "$1" in
    --version) {say} ;;
    check) case "$2" in {refused}) echo "$2: stream: missing" >&2; exit 2 ;; esac ;;
    watch) case "$2" in {dies}) exit 1 ;; esac ;;
esac
"""


class Machine:
    """A root of its own, with an installer whose places lie in it."""

    def __init__(self, root: Path):
        self.root = root
        for name in ("bin", "posts", "etc/witnesspost", "usr/local/bin", "ends-soon"):
            (root / name).mkdir(parents=True)
        for name, text in STUBS.items():
            (root / "bin" / name).write_text(f"#!/bin/sh\n{text}\n")
            (root / "bin" / name).chmod(0o755)
        checkout = root / "checkout"
        (checkout / "systemd").mkdir(parents=True)
        (checkout / "pyproject.toml").write_text("")
        for file in FOLDER.iterdir():
            text = file.read_text()
            if file.name in ("install", "wifi"):
                for place in PLACES:
                    text = text.replace(place, f"{root}{place}")
            (checkout / "systemd" / file.name).write_text(text)
        for post in POSTS:
            (root / "etc/witnesspost" / f"{post}.toml").write_text("")

    def program(self, version, dies="-", refused="-", say="echo witnesspost {version}"):
        text = PROGRAM.format(version=version, dies=dies, refused=refused, say=say.format(version=version))
        (self.root / "program").write_text(text)

    def install(self, *options, umask=0o022):
        environment = {**os.environ, "ROOT": str(self.root), "PATH": f"{self.root}/bin:/usr/sbin:/usr/bin:/sbin:/bin"}
        command = ["sh", self.root / "checkout/systemd/install", *options]
        return subprocess.run(command, env=environment, umask=umask, capture_output=True, text=True, check=False)

    @property
    def version(self):
        return (self.root / "opt/witnesspost/venv/bin/witnesspost").read_text().splitlines()[1].split()[-1]

    @property
    def posts(self):
        return {post.name: post.read_text().strip() for post in (self.root / "posts").iterdir()}

    def start(self, *posts):
        for post in posts:
            (self.root / "posts" / post).write_text("active\n")


@pytest.fixture
def machine(tmp_path):
    machine = Machine(tmp_path)
    machine.program("1.0")
    done = machine.install()
    assert done.returncode == 0, done.stderr
    machine.start(*POSTS)
    return machine


def test_an_upgrade_says_how_each_post_fared(machine):
    machine.program("2.0")
    done = machine.install()
    assert (done.returncode, done.stderr, machine.version) == (0, "", "2.0")
    for post in POSTS:
        assert f"witnesspost@{post}.service: runs with the new version" in done.stdout
    assert len(list((machine.root / "opt/witnesspost/versions").iterdir())) == 1


def test_a_brokers_password_becomes_the_services_alone(machine):
    folder = machine.root / "etc/witnesspost"
    password, other, link = folder / "alpha.password", folder / "alpha.csv", folder / "bravo.password"
    for file in (password, other):
        file.write_text("owl\n")
        file.chmod(0o644)
    link.symlink_to(other)
    assert machine.install().returncode == 0
    assert [file.stat().st_mode & 0o777 for file in (password, other)] == [0o600, 0o644]
    told = (machine.root / "told").read_text().splitlines()
    assert [line for line in told if line.startswith("chown")] == [f"chown witnesspost:witnesspost {password}"]


def test_a_site_file_with_a_pin_is_not_for_everybody_to_read(machine):
    folder = machine.root / "etc/witnesspost"
    page, plain, link = folder / "alpha.toml", folder / "bravo.toml", folder / "charlie.toml"
    page.write_text('[page]\nlisten = "0.0.0.0:8017"\npin = "48291377"\n')
    plain.write_text("[button]\npin = 17\n")
    link.unlink()
    link.symlink_to(machine.root / "elsewhere.toml")
    (machine.root / "elsewhere.toml").write_text(page.read_text())
    for file in (page, plain, link):
        file.chmod(0o644)
    assert machine.install().returncode == 0
    assert [file.stat().st_mode & 0o777 for file in (page, plain, link)] == [0o640, 0o644, 0o644]
    told = (machine.root / "told").read_text().splitlines()
    assert [line for line in told if line.startswith("chgrp")] == [f"chgrp witnesspost {page}"]


def test_under_a_umask_of_077_others_can_still_run_it(machine):
    machine.program("2.0")
    assert machine.install(umask=0o077).returncode == 0
    home = machine.root / "opt/witnesspost"
    for path in (home, *home.rglob("*")):
        mode = path.stat().st_mode
        assert mode & 0o004, path
        assert not path.is_dir() or mode & 0o001, path
    for place in ("etc/systemd/system/witnesspost@.service", "etc/udev/rules.d/61-witnesspost.rules"):
        assert (machine.root / place).stat().st_mode & 0o777 == 0o644


@pytest.mark.parametrize("say", ["exit 1", "exit 126"])
def test_what_the_services_user_cannot_run_is_never_switched_to(machine, say):
    machine.program("2.0", say=say)
    told = (machine.root / "told").read_text().count("restart")
    done = machine.install()
    assert done.returncode == 2
    assert "cannot run the new version; nothing was switched" in done.stderr
    assert machine.version == "1.0"
    assert (machine.root / "told").read_text().count("restart") == told
    assert len(list((machine.root / "opt/witnesspost/versions").iterdir())) == 1


def test_a_site_file_that_only_the_old_version_takes_stops_the_upgrade(machine):
    machine.program("2.0", refused="*bravo*")
    done = machine.install()
    assert done.returncode == 2
    assert "witnesspost@bravo.service: the new version does not take its site file, and the old one does" in done.stderr
    assert "stream: missing" in done.stderr
    assert machine.version == "1.0"


def test_a_site_file_that_neither_takes_is_said_and_is_no_reason(machine):
    machine.program("1.1", refused="*bravo*")
    (machine.root / "opt/witnesspost/venv/bin/witnesspost").write_text((machine.root / "program").read_text())
    machine.program("2.0", refused="*bravo*")
    done = machine.install()
    assert (done.returncode, machine.version) == (0, "2.0")
    assert "witnesspost@bravo.service: its site file is not usable, with the old version either" in done.stdout


@pytest.mark.parametrize("soon", [False, True])
def test_one_post_that_does_not_come_up_brings_all_back_to_the_old_version(machine, soon):
    unit = machine.root / "etc/systemd/system/witnesspost@.service"
    before = unit.read_text()
    (machine.root / "checkout/systemd/witnesspost@.service").write_text(before + "# of 2.0\n")
    machine.program("2.0", dies="-" if soon else "alpha")
    if soon:
        (machine.root / "ends-soon/alpha").touch()
    done = machine.install()
    assert done.returncode == 1
    assert "witnesspost@alpha.service: does not run with the new version" in done.stdout
    assert "witnesspost@bravo.service: runs with the new version" in done.stdout  # it was tried, though alpha came first
    assert "witnesspost@charlie.service: runs with the new version" in done.stdout
    assert "back to the old version, for witnesspost@alpha.service" in done.stderr
    assert machine.version == "1.0"
    assert unit.read_text() == before
    for post in POSTS:
        assert f"witnesspost@{post}.service: runs with the old version" in done.stdout
    assert len(list((machine.root / "opt/witnesspost/versions").iterdir())) == 1


def test_posts_that_do_not_run_are_left_so(machine):
    (machine.root / "posts/bravo").write_text("inactive\n")
    machine.program("2.0", dies="bravo")
    done = machine.install()
    assert done.returncode == 0
    assert machine.posts == {"alpha": "active", "bravo": "inactive", "charlie": "active"}
    assert "bravo" not in done.stdout
