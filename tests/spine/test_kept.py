"""The knock model's table: made once per vehicle and kept in OUT, made again when it has to be."""

import os
from pathlib import Path

import pytest

from fixtures.cars import draw_car
from pipeline.channels import CHANNELS
from pipeline.facts import knock_table
from pipeline.kept import STAMP_NS, KeptFacts
from pipeline.physics import knock_table as model
from pipeline.store import Store
from pipeline.vehicle import Vehicle, parse_vehicle
from tests.spine.helpers import run, tree, written
from tests.spine.helpers import stamps as stamps_of


def _kept(out: Path) -> list[str]:
    return [name for name in tree(out) if name.startswith("data/kept/")]


def test_one_table_for_all_sessions_of_a_vehicle_and_no_other_is_left(
    logs: Path, out: Path
) -> None:
    before = _kept(out)
    assert len(before) == 1
    whole = tree(out)
    (out / before[0]).write_bytes(b"damaged")
    assert run(logs, out).returncode == 0
    assert tree(out) == whole
    stamps = stamps_of(out)
    file = logs / "vehicle.toml"
    file.write_text(file.read_text().replace("octane_ron = 98", "octane_ron = 95"))
    assert run(logs, out).returncode == 0
    after = _kept(out)
    assert len(after) == 1
    assert after != before
    assert after[0] in written(stamps, out)


def test_kept_bytes_give_the_same_table_and_others_are_refused(tmp_path: Path) -> None:
    vehicle = Vehicle()
    table = model.build(knock_table.engine_of(vehicle))
    kept = KeptFacts(Store(tmp_path), "sources")
    key = knock_table.keep_key(vehicle)
    assert kept.load("knock_table", key) is None
    assert kept.used == []
    kept.save("knock_table", key, table.to_bytes())
    raw = kept.load("knock_table", key)
    assert raw is not None
    back = knock_table.from_bytes(raw, vehicle)
    assert (back.table.limit_deg == table.limit_deg).all()
    assert back.table.to_bytes() == table.to_bytes()
    (path,) = kept.used
    assert path.stat().st_mtime_ns == STAMP_NS
    assert KeptFacts(Store(tmp_path), "other sources").load("knock_table", key) is None
    raw_file = path.read_bytes()
    path.write_bytes(raw_file[:-8] + os.urandom(8))
    assert kept.load("knock_table", key) is None
    with pytest.raises(ValueError, match="knock table"):
        knock_table.from_bytes(b"something else", vehicle)


def test_the_key_follows_the_engine_and_the_fuel_only() -> None:
    def key(seed: int, octane: int) -> str:
        text = f"[engine]\ncompression_ratio = {draw_car(seed).compression_ratio}\n"
        text += f"[fuel]\noctane_ron = {octane}\n[vehicle]\nmass_kg = {1000 + seed}\n"
        return knock_table.keep_key(parse_vehicle(text.encode(), channel_names=CHANNELS))

    assert key(200, 98) == key(200, 98)
    assert key(200, 98) != key(200, 95)
    assert key(200, 98) != key(201, 98)
