"""The pages behind nginx as docs/access.md sets it up: TLS outside, what a client claims of itself not believed."""

from __future__ import annotations

import http.client
import re
import shutil
import socket
import ssl
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.web.access import Access
from dashboard.web.accounts import Accounts
from dashboard.web.roles import TECHNICIAN
from dashboard.web.serve import PageServer
from dashboard.web.services import Services
from logger.clock import ManualClock
from page_rig import PASSWORD, accounts_in, made

NAME = "oven-pc.shop.example"
DOC = Path(__file__).parent.parent / "docs" / "access.md"
_SURROUNDINGS = """\
daemon off; pid {here}/nginx.pid; error_log {here}/error.log;
events {{ }}
http {{ access_log off; {temporary}
{servers} }}
"""


@dataclass(frozen=True)
class Proxied:
    """nginx in front of the pages: its ports, and what trusts its certificate."""

    tls_port: int
    plain_port: int
    trust: ssl.SSLContext
    accounts: Accounts

    def ask(
        self, method: str, path: str, body: str = "", name: str = NAME, **headers: str
    ) -> tuple[int, http.client.HTTPMessage, str]:
        connection = http.client.HTTPSConnection("127.0.0.1", self.tls_port, context=self.trust, timeout=60)
        connection.sock = self.trust.wrap_socket(
            socket.create_connection(("127.0.0.1", self.tls_port), timeout=60), server_hostname=NAME
        )
        sent = {"Host": name, **{key.replace("_", "-"): value for key, value in headers.items()}}
        try:
            connection.request(method, path, body or None, sent)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read().decode("utf-8", "replace")
        finally:
            connection.close()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as held:
        return int(held.getsockname()[1])


def set_up(text: str, here: Path, inner_port: int, tls_port: int, plain_port: int) -> str:
    """The document's own server blocks, with this test's ports and certificate."""
    for old, new in (
        ("listen 443 ssl", f"listen 127.0.0.1:{tls_port} ssl"),
        ("listen 80", f"listen 127.0.0.1:{plain_port}"),
        ("127.0.0.1:8321", f"127.0.0.1:{inner_port}"),
        ("/etc/ssl/certs/oven-pc.pem", f"{here}/oven-pc.pem"),
        ("/etc/ssl/private/oven-pc.key", f"{here}/oven-pc.key"),
    ):
        assert old in text, old
        text = text.replace(old, new)
    return text


@pytest.fixture(scope="module")
def proxied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxied]:
    nginx = shutil.which("nginx", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
    if nginx is None or shutil.which("openssl") is None:
        pytest.skip("no nginx or no openssl on this machine")
    here = tmp_path_factory.mktemp("nginx")
    document = DOC.read_text("utf-8")
    certificate = re.search(r"`(openssl req [^`]+)`", document)
    blocks = re.search(r"```nginx\n(.*?)```", document, re.DOTALL)
    assert certificate is not None
    assert blocks is not None
    subprocess.run(certificate[1].split(), cwd=here, check=True, capture_output=True)
    accounts = accounts_in(here, ManualClock())
    services = Services(read_shop(DEMO_FOLDER), clock=ManualClock(), accounts=accounts)
    tls_port, plain_port = free_port(), free_port()
    with PageServer(services, Access(port=0, behind_proxy=True, names=(NAME,))) as server:
        servers = set_up(blocks[1], here, server.port, tls_port, plain_port)
        kinds = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        temporary = " ".join(f"{kind}_temp_path {here}/{kind};" for kind in kinds)
        (here / "nginx.conf").write_text(_SURROUNDINGS.format(here=here, temporary=temporary, servers=servers))
        process = subprocess.Popen([nginx, "-p", str(here), "-c", str(here / "nginx.conf")], stderr=subprocess.PIPE)
        try:
            wait_for(tls_port, process)
            yield Proxied(tls_port, plain_port, ssl.create_default_context(cafile=str(here / "oven-pc.pem")), accounts)
        finally:
            process.terminate()
            process.communicate(timeout=60)


def wait_for(port: int, process: subprocess.Popen[bytes]) -> None:
    """Until something listens; nginx that ended says why."""
    while process.poll() is None:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=60).close()
            return
        except ConnectionRefusedError:
            continue
    raise AssertionError(process.stderr.read() if process.stderr else "nginx ended")


def test_a_person_signs_in_over_tls(proxied: Proxied) -> None:
    made(proxied.accounts, "Ada", TECHNICIAN)
    status, headers, page = proxied.ask("GET", "/sign-in")
    assert status == 200
    assert headers["Strict-Transport-Security"]
    cookies = headers.get_all("Set-Cookie") or []
    assert cookies
    assert all("Secure" in cookie for cookie in cookies)
    session = next(cookie for cookie in cookies if "HttpOnly" in cookie)
    token = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert token is not None
    body = f"csrf_token={token[1]}&name=Ada&password={PASSWORD.replace(' ', '+')}&next=/plan"
    form = {"Content_Type": "application/x-www-form-urlencoded", "Cookie": session.split(";")[0]}
    status, headers, page = proxied.ask("POST", "/sign-in", body, Referer=f"https://{NAME}/sign-in", **form)
    assert (status, headers["Location"]) == (302, "/plan"), page
    inside = next(cookie for cookie in headers.get_all("Set-Cookie") or [] if "HttpOnly" in cookie)
    status, _, page = proxied.ask("GET", "/plan", Cookie=inside.split(";")[0])
    assert status == 200
    assert "<title>Plan" in page


def test_a_form_from_another_site_is_refused_over_tls(proxied: Proxied) -> None:
    _, headers, page = proxied.ask("GET", "/sign-in")
    session = next(cookie for cookie in headers.get_all("Set-Cookie") or [] if "HttpOnly" in cookie)
    token = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert token is not None
    form = {"Content_Type": "application/x-www-form-urlencoded", "Cookie": session.split(";")[0]}
    body = f"csrf_token={token[1]}&name=Ada&password=x"
    status, _, _ = proxied.ask("POST", "/sign-in", body, Referer="https://evil.example/", **form)
    assert status == 400


def test_a_stranger_is_led_to_sign_in(proxied: Proxied) -> None:
    status, headers, _ = proxied.ask("GET", "/plan")
    assert (status, headers["Location"]) == (302, "/sign-in?next=/plan")


def test_a_foreign_name_is_not_answered(proxied: Proxied) -> None:
    assert proxied.ask("GET", "/sign-in", name="evil.example")[0] == 400


def test_what_a_client_says_of_itself_is_not_believed(proxied: Proxied) -> None:
    """Twenty wrong passwords from one address are the limit, whatever addresses the client claims."""
    claimed = {"X_Forwarded_Host": "evil.example", "X_Forwarded_Proto": "http"}
    assert proxied.ask("GET", "/sign-in", **claimed)[0] == 200
    statuses = []
    for number in range(21):
        _, headers, page = proxied.ask("GET", "/sign-in")
        session = next(cookie for cookie in headers.get_all("Set-Cookie") or [] if "HttpOnly" in cookie)
        token = re.search(r'name="csrf_token" value="([^"]+)"', page)
        assert token is not None
        form = {
            "Content_Type": "application/x-www-form-urlencoded",
            "Cookie": session.split(";")[0],
            "X_Forwarded_For": f"10.0.0.{number}",
            "Referer": f"https://{NAME}/sign-in",
        }
        statuses.append(proxied.ask("POST", "/sign-in", f"csrf_token={token[1]}&name=n{number}&password=x", **form)[0])
    assert statuses == [400] * 20 + [429]


def test_plain_http_leads_to_tls(proxied: Proxied) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", proxied.plain_port, timeout=60)
    try:
        connection.request("GET", "/plan", headers={"Host": NAME})
        answer = connection.getresponse()
        answer.read()
        assert (answer.status, answer.headers["Location"]) == (301, f"https://{NAME}/plan")
    finally:
        connection.close()
