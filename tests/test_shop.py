"""Shops: which one is opened, its ovens and polymers, refusals; the demo shop; reading of TOML files."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import dashboard.shop
from dashboard.shop import DEMO_FOLDER, Shop, open_shop
from dashboard.tomlfile import LARGEST_BYTES, read_toml
from thermal.fields import InputError
from thermal.polymer_data import polymer_ids, shipped_polymer

MakeShop = Callable[..., Path]
POLYMER = """\
name = "Own sheet"
density.value = 1000
conductivity.value = 0.2
heat_capacity.value = 2000
forming = { core_min_c = 120, core_max_c = 160, face_max_c = 170, demold_c = 60, form_until_c = 100 }
"""


@pytest.fixture(autouse=True)
def usual(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The platform's data folder for this test, which does not exist yet; no variable set."""
    folder = tmp_path / "usual"
    monkeypatch.setattr(dashboard.shop, "_platform_folder", lambda: folder)
    monkeypatch.delenv("PULLCUE_SHOP", raising=False)
    return folder


@pytest.fixture
def make_shop(tmp_path: Path) -> MakeShop:
    """Makes a shop of this name in a folder with one oven, north."""

    def make(name: str, folder: Path | None = None, more: str = "") -> Path:
        folder = folder or tmp_path / name
        (folder / "ovens").mkdir(parents=True)
        (folder / "polymers").mkdir()
        (folder / "shop.toml").write_text(f'name = "{name}"\n{more}', encoding="utf-8")
        shutil.copy(DEMO_FOLDER / "ovens" / "north.toml", folder / "ovens")
        return folder

    return make


# ---------------------------------------------------------------- which shop


def test_the_order_of_resolution(make_shop: MakeShop, usual: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert open_shop(None).is_demo
    usual.mkdir()
    (usual / "store.sqlite").touch()
    assert open_shop(None).is_demo  # the folder may hold other things of the tool
    make_shop("third", usual)
    assert (open_shop(None).name, open_shop(None).is_demo) == ("third", False)
    monkeypatch.setenv("PULLCUE_SHOP", str(make_shop("second")))
    assert open_shop(None).name == "second"
    assert open_shop(make_shop("first")).name == "first"
    for empty in ("", "  "):
        monkeypatch.setenv("PULLCUE_SHOP", empty)
        assert open_shop(None).name == "third"


def test_the_platforms_folder_is_asked_of_platformdirs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()  # the fixture's stand-in
    asked: list[tuple[str, object]] = []

    def user_data_path(name: str, appauthor: object) -> Path:
        asked.append((name, appauthor))
        return tmp_path

    monkeypatch.setattr("platformdirs.user_data_path", user_data_path)
    monkeypatch.delenv("PULLCUE_SHOP", raising=False)
    assert open_shop(None).is_demo
    assert asked == [("pullcue", False)]


def test_a_folder_that_was_named_must_hold_a_shop(tmp_path: Path, usual: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cure = 'make the folder with a file shop.toml that says name = "..." in it, or correct the name'
    none, file = tmp_path / "none", tmp_path / "file"
    file.touch()
    refusals = [(none, "does not exist"), (file, "is a file, expected a folder"), (tmp_path, "holds no shop.toml")]
    for folder, what in refusals:
        with pytest.raises(InputError) as refused:
            open_shop(folder)
        assert str(refused.value) == f"--shop {folder} {what}; {cure}"
        monkeypatch.setenv("PULLCUE_SHOP", str(folder))
        with pytest.raises(InputError) as refused:
            open_shop(None)
        assert str(refused.value) == f"PULLCUE_SHOP {folder} {what}; {cure}"
    monkeypatch.delenv("PULLCUE_SHOP")
    (usual / "ovens").mkdir(parents=True)  # begun, not finished: the demo shop's ovens would be the wrong ones
    with pytest.raises(InputError, match=r"the shop of this computer .*usual holds no shop\.toml"):
        open_shop(None)


# ---------------------------------------------------------------- shop.toml


def test_shop_toml(make_shop: MakeShop) -> None:
    plain = open_shop(make_shop("plain"))
    assert (plain.name, plain.units, plain.room_c, plain.is_demo) == ("plain", "metric", 22.0, False)
    us = open_shop(make_shop("us", more='units = "us"\nroom_c = 18'))
    assert (us.units, us.room_c) == ("us", 18.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", r"shop\.toml: name is missing: expected a text"),
        ('name = ""', r"shop\.toml: name = ''"),
        ('name = "x"\nunits = "imperial"', r"units = 'imperial': expected one of metric, us"),
        ('name = "x"\nroom_c = 72', r"room_c = 72: expected a number at least -40 and at most 60 °C"),
        ('name = "x"\nroom_c = nan', r"room_c = nan"),
        ('name = "x"\nunit = "us"', r"unit = 'us' is not known \(did you mean units"),
        ('name = "x', r"shop\.toml: no valid TOML: .*end of document"),
    ],
)
def test_wrong_shop_toml_is_refused(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "shop.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        open_shop(tmp_path)


# ---------------------------------------------------------------- ovens


def test_ovens_are_known_by_file_name_and_read_when_asked_for(make_shop: MakeShop) -> None:
    folder = make_shop("own")
    for name in ("broken.toml", "._north.toml", "notes.txt"):
        (folder / "ovens" / name).write_text("[not TOML", encoding="utf-8")
    shop = open_shop(folder)
    assert shop.oven_ids() == ("broken", "north")
    assert shop.oven("north").set_c == 185.0
    with pytest.raises(InputError, match=r"ovens/broken\.toml: no valid TOML: .*line 1"):
        shop.oven("broken")


@pytest.mark.parametrize("wanted", ["nort", "", "../ovens/north", "NORTH", "north.toml"])
def test_unknown_oven_names_all(make_shop: MakeShop, wanted: str) -> None:
    with pytest.raises(InputError) as refused:
        open_shop(make_shop("own")).oven(wanted)
    near = " (did you mean north?)" if wanted else ""
    assert str(refused.value) == f"oven {wanted!r} is not known in the shop 'own'{near}: expected one of north"


def test_a_shop_without_ovens_says_where_cards_go(tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text('name = "new"', encoding="utf-8")
    shop = open_shop(tmp_path)
    assert shop.oven_ids() == ()
    with pytest.raises(InputError) as refused:
        shop.oven("north")
    assert str(refused.value) == (f"oven 'north': the shop 'new' has no ovens; put its card into {tmp_path / 'ovens'}")


def test_a_card_is_called_as_its_file(make_shop: MakeShop) -> None:
    folder = make_shop("own")
    (folder / "ovens" / "north.toml").rename(folder / "ovens" / "nord.toml")
    with pytest.raises(InputError, match=r"ovens/nord\.toml: id = 'north': expected 'nord', as the file is called"):
        open_shop(folder).oven("nord")


# ---------------------------------------------------------------- polymers


def own_polymer(folder: Path, name: str, polymer_id: str) -> None:
    (folder / "polymers" / f"{name}.toml").write_text(f'id = "{polymer_id}"\n{POLYMER}', encoding="utf-8")


def test_own_polymers_are_added_and_win(make_shop: MakeShop) -> None:
    folder = make_shop("own")
    for polymer_id in ("blend", "eva"):
        own_polymer(folder, polymer_id, polymer_id)
    shop = open_shop(folder)
    assert shop.polymer_ids() == tuple(sorted({*polymer_ids(), "blend"}))
    assert shop.own_polymer_ids() == ("blend", "eva")
    assert shop.polymer("blend").name == shop.polymer("eva").name == "Own sheet"
    assert shop.polymer("hdpe") == shipped_polymer("hdpe")
    assert shop.polymer_note("blend") == "Polymer blend belongs to the shop own"
    assert (
        shop.polymer_note("eva") == "Polymer eva belongs to the shop own, in place of the one that ships with the tool"
    )
    assert shop.polymer_note("hdpe") == ""


def test_wrong_polymer_of_a_shop_is_refused(make_shop: MakeShop) -> None:
    folder = make_shop("own")
    own_polymer(folder, "blend", "blnd")
    shop = open_shop(folder)
    with pytest.raises(InputError, match=r"polymers/blend\.toml: id = 'blnd': expected 'blend'"):
        shop.polymer("blend")
    with pytest.raises(InputError, match=r"'blnd' is not known in the shop 'own' \(did you mean blend.*abs, blend"):
        shop.polymer("blnd")


# ---------------------------------------------------------------- the demo shop


@pytest.fixture
def demo() -> Shop:
    return open_shop(None)


def test_the_demo_shop(demo: Shop) -> None:
    assert (demo.name, demo.units, demo.room_c) == ("Quillmere workshop", "metric", 22.0)
    assert demo.oven_ids() == ("ember", "north", "south")
    assert demo.own_polymer_ids() == ("quillmere-flex",)
    assert open_shop(DEMO_FOLDER).is_demo
    north = demo.oven("north")
    assert north.tray is not None
    assert north.uncertainty is not None
    stated = {key: north.coefficient(key) for key in north.uncertainty.order}
    std = dict(zip(stated, np.sqrt(np.diag(north.uncertainty.covariance)), strict=True))
    for face in ("upper", "lower"):  # as the card's comment says
        assert std[f"{face}.h_w_m2k"] == pytest.approx(0.06 * (stated[f"{face}.h_w_m2k"] or 0.0))
        assert std[f"{face}.emissivity_eff"] == pytest.approx(0.04)
    assert std["air.offset_k"] == pytest.approx(1.0)
    assert demo.polymer("quillmere-flex").viscosity is None


def test_every_file_of_the_demo_shop_says_that_it_is_invented(demo: Shop) -> None:
    for path in DEMO_FOLDER.rglob("*.toml"):
        assert "invented" in path.read_text(encoding="utf-8").split("\n\n")[0].lower(), path
    for oven_id in demo.oven_ids():
        card = demo.oven(oven_id)
        assert card.valid.set_c is not None
        assert card.valid.gauge_mm is not None
        assert card.valid.set_c[0] < card.set_c < card.valid.set_c[1]
    for polymer_id in demo.own_polymer_ids():
        assert "invented" in demo.polymer(polymer_id).name


# ---------------------------------------------------------------- reading TOML


def test_toml_with_a_byte_order_mark_and_windows_lines(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes('\ufeffname = "ö"\r\n[air]\r\noffset_k = 1\r\n'.encode())
    assert read_toml(path) == {"name": "ö", "air": {"offset_k": 1}}


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b'a = 1\nb = "\xe9"\n', r"^a\.toml: line 2 is not UTF-8; save the file as UTF-8 text"),
        ("a = 1".encode("utf-16"), r"^a\.toml: line 1 is not UTF-8"),
        (b"a = 1\n[air\n", r"^a\.toml: no valid TOML: .*line 2.*; correct it there"),
        (b"a = 1\na = 2\n", r"^a\.toml: no valid TOML: .*line 2"),
        (b"a = " + b"9" * 5000, r"^a\.toml: no valid TOML: Exceeds the limit"),
        (b"a = " + b"[" * 20_000, r"^a\.toml: no valid TOML"),
        (b"#" * (LARGEST_BYTES + 1), r"^a\.toml is larger than 1000 kB"),
        (b"a = \x00", r"^a\.toml: no valid TOML"),
    ],
)
def test_broken_toml_is_refused(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        read_toml(path)


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.toml: there is no such file; check its name and folder"):
        read_toml(tmp_path / "none.toml")
    with pytest.raises(InputError, match="is a folder, expected a TOML file; name a file in it"):
        read_toml(tmp_path)
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="file"):
        read_toml(tmp_path / "file" / "a.toml")
    with pytest.raises(InputError, match="is no name of a file"):
        read_toml(Path("a\0.toml"))


def test_messages_name_the_file_as_asked(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text("[", encoding="utf-8")
    with pytest.raises(InputError, match=r"^ovens/a\.toml: no valid TOML"):
        read_toml(tmp_path / "a.toml", "ovens/a.toml")
