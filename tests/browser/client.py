"""A person's session over plain HTTP, for tests that need no browser."""

from __future__ import annotations

import http.client
import http.cookiejar
import json
import re
import secrets
import time
import urllib.error
import urllib.parse
import urllib.request

from tests.browser.site import PASSWORD

PART = 1 << 20


class Session:
    """Signs in and repeats what a flaky connection would make a browser repeat."""

    def __init__(self, address: str, name: str) -> None:
        self.address = address
        self.jar = http.cookiejar.CookieJar()
        self.opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(self.jar))
        self.get("/login/")
        self.post("/login/", {"username": name, "password": PASSWORD})

    @property
    def token(self) -> str:
        """The anti-forgery token of the session."""
        return next((c.value or "" for c in self.jar if c.name == "csrftoken"), "")

    def get(self, path: str) -> str:
        """Return a page."""
        with self.opener.open(self.address + path, timeout=60) as answer:
            return answer.read().decode()

    def post(self, path: str, data: dict[str, str] | bytes, kind: str = "") -> bytes:
        """Send a form, or bytes of ``kind``; follow redirects."""
        body = urllib.parse.urlencode(data).encode() if isinstance(data, dict) else data
        request = urllib.request.Request(
            self.address + path,
            body,
            {
                "X-CSRFToken": self.token,
                "Referer": self.address + path,
                "Content-Type": kind or "application/x-www-form-urlencoded",
            },
        )
        with self.opener.open(request, timeout=60) as answer:
            return answer.read()

    def upload(self, patient: str, arch: str, data: bytes, key: str = "") -> str:
        """Send a scan in parts until it is acknowledged; return the scan's identifier."""
        key = key or secrets.token_hex(16)
        base = f"/chair/{patient}/upload/{key}/"
        while True:
            try:
                sent = json.loads(self.get(base))["arrived"]
                while sent < len(data):
                    part = data[sent : sent + PART]
                    answer = self.post(f"{base}?offset={sent}", part, "application/octet-stream")
                    sent = json.loads(answer)["arrived"]
                wanted = json.dumps({"arch": arch, "size": len(data)}).encode()
                return str(
                    json.loads(self.post(f"{base}done/", wanted, "application/json"))["scan"]
                )
            except urllib.error.HTTPError as error:
                if error.code < 500 and error.code != 409:
                    raise
                time.sleep(0.3)
            except (OSError, http.client.HTTPException):
                time.sleep(0.3)

    def verdict(self, scan: str, within: float) -> str:
        """Wait for a scan's verdict; return the word on its page, or "" when none came."""
        until = time.monotonic() + within
        while time.monotonic() < until:
            try:
                page = self.get(f"/scans/{scan}/state/")
            except (OSError, http.client.HTTPException):
                page = ""
            found = re.search(r'id="verdict-title">.*?(Pass|Check|Rescan)</span>', page, re.S)
            if found:
                return found[1]
            time.sleep(0.1)
        return ""

    def patients(self) -> list[str]:
        """Return the identifiers of the patients on the first list."""
        return sorted(set(re.findall(r"/patients/([0-9a-f-]{36})/", self.get("/patients/"))))
