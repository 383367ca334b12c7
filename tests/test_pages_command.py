"""The pages without a bench: what is there, and what is not."""

from __future__ import annotations

import urllib.request
from pathlib import Path
from urllib.error import HTTPError

import pytest

from dashboard.commands import pages_run
from dashboard.commands.pages_run import asked_access, show_pages
from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.store_place import SQLITE, StorePlace
from dashboard.web.serve import PageServer
from dashboard.web.services import Services
from dashboard.workers import Workers
from logger.clock import SystemClock

PATHS = ("", "plan", "records", "ovens", "oven")


class Unstarted(Workers):
    """Does everything in the process that asks."""

    def __init__(self) -> None:
        pass


def test_records_and_plans_are_shown_without_a_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    found: dict[str, int] = {}

    def look(services: Services, access: object, any_port: bool) -> PageServer:
        del access, any_port
        server = PageServer(services, asked_access(0))
        monkeypatch.setattr(
            pages_run, "_wait", lambda *_: found.update({name: code(server.url, name) for name in PATHS})
        )
        return server

    monkeypatch.setattr(pages_run, "_server", look)
    place = StorePlace(f"{SQLITE}{tmp_path / 'pullcue.sqlite'}", tmp_path)
    show_pages(
        [], read_shop(DEMO_FOLDER), place, SystemClock(), asked_access(0), Unstarted(), any_port=True, browser=False
    )
    assert found == {"": 200, "plan": 200, "records": 200, "ovens": 200, "oven": 404}
    assert "Ctrl-C ends it." in capsys.readouterr().out
    assert not (tmp_path / "pullcue.sqlite").exists(), "looking makes no store"


def code(url: str, name: str) -> int:
    try:
        with urllib.request.urlopen(url + name, timeout=60.0) as answer:
            return int(answer.status)
    except HTTPError as error:
        return error.code
