#!/usr/bin/env python3
"""The page at address `argv[1]`: without the PIN `argv[2]` its form alone, with it the post as it is; prints how it went."""

import html.parser
import http.cookiejar
import sys
import urllib.error
import urllib.parse
import urllib.request


class Hidden(html.parser.HTMLParser):
    """The hidden fields of a page's forms."""

    def __init__(self, text):
        super().__init__()
        self.fields = {}
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag == "input" and given.get("type") == "hidden":
            self.fields[given["name"]] = given.get("value", "")


def asked(browser, address, fields=None, origin=None):
    data = None if fields is None else urllib.parse.urlencode(fields).encode()
    try:
        request = urllib.request.Request(address, data, {"Origin": origin or base})  # as browsers say with a form
        with browser.open(request, timeout=10) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()


base, pin = sys.argv[1:]
browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar()))
_, door = asked(browser, base)
status, _ = asked(browser, f"{base}/day", {"a": "b"})
foreign, _ = asked(browser, f"{base}/pin", {**Hidden(door).fields, "pin": pin}, "http://elsewhere")
wrong, refused = asked(browser, f"{base}/pin", {**Hidden(door).fields, "pin": "000000"})
_, whole = asked(browser, f"{base}/pin", {**Hidden(refused).fields, "pin": pin})
print(f"without the PIN an act {status}, another site's form {foreign}, a wrong PIN {wrong}; inside {len(whole)}")
sys.exit("/leave" in door or {status, foreign, wrong} != {403} or "/leave" not in whole)
