"""A log to be damaged: weeks at a pottery in short, with every kind of row; and ways to damage a file, by a seed."""

from __future__ import annotations

import random
import shutil
import sqlite3
import struct
from pathlib import Path

from adapters.contract import ChannelVisit, HeardRadio
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.probe_table import Latency, Transfer, begin_probe, end_probe
from logger.recorder import Recorder
from logger.sample import Event
from logger.sighting_table import write_scan
from logger.timeline import Timeline
from tests.logger.conftest import POTTERY_5, POTTERY_24, START_MS, HandClock, linked, unlinked

PAGE = 4096
CSV = "time,location,placement,version,band,rssi_dbm\n" + "".join(
    f"2026-08-01T10:{n // 60:02}:{n % 60:02}Z,kiln room,shelf,v1,5,{-60 - n % 7}\n" for n in range(600)
)


def fill(path: Path, n_samples: int = 9000, step_ms: int = 5000, *, probing: bool = True) -> None:
    """Stays, versions, roams, outages, events, an import; closed, so that all of it lies in the one file."""
    clock = HandClock()
    with Log.open(path) as log:
        log.db.execute("PRAGMA synchronous = OFF")
        timeline, recorder = Timeline(log, clock, "Europe/Berlin"), Recorder(log)
        timeline.at("wheel by the window")
        recorder.set_pace(step_ms, START_MS)
        said = {
            n_samples // 5: lambda: timeline.changed("longer antennas", settings={"antenna.5.gain_dbi": 5}),
            2 * n_samples // 5: lambda: timeline.at("kiln room"),
            3 * n_samples // 5: lambda: timeline.back_to(1),
            4 * n_samples // 5: lambda: timeline.changed("channel 100", notes="glaze day, " * 150),
        }
        batch, events = [], []
        for n in range(n_samples):
            clock.now_ms = START_MS + n * step_ms
            if n in said:
                recorder.record(batch, events)
                batch, events = [], []
                said[n]()
            if n % 400 == 399:
                batch.append(unlinked(clock.now_ms))
                events.append(Event(clock.now_ms, "disconnected", {"reason_code": 3}))
            else:
                batch.append(linked(clock.now_ms, -50 - n % 23, POTTERY_24 if n // 1500 % 3 == 1 else POTTERY_5))
            if n % 60 == 0:
                look(log, clock.now_ms, n)
            if probing and n % 1000 == 500:
                probe(log, clock.now_ms, n)
            if len(batch) == 100:
                recorder.record(batch, events)
                batch, events = [], []
        recorder.record(batch, events)
        timeline.changed("moved to the shelf", START_MS + n_samples * step_ms * 7 // 10)  # samples leave their pages
        csv = path.with_name("shelf.csv")
        csv.write_text(CSV)
        import_recording(log, csv, now_utc_ms=clock.now_ms, zone="Europe/Berlin")
        with log.transaction() as db:
            db.execute("INSERT INTO zone VALUES (1, ?, 'Asia/Tokyo')", (START_MS + 1000,))
            db.execute("INSERT INTO watched VALUES (1, x'506f7474657279', NULL, 5)")
            db.execute("INSERT INTO finding VALUES (1, 'progress', '[1]', 5, 'half way', '{}', 6)")


def look(log: Log, time_ms: int, n: int) -> None:
    """A scan that hears up to forty radios."""
    heard = [
        HeardRadio(
            f"02:00:00:00:01:{i:02x}", 2412 + 5 * (i % 13), f"net {i}".encode(), rssi_dbm=-40.0 - i, age_ms=n % 90
        )
        for i in range(1 + n % 41)
    ]
    with log.transaction() as db:
        write_scan(db, time_ms, heard, [ChannelVisit(2437, -92, 100, n % 90)], active=True, everyone=True)


def probe(log: Log, time_ms: int, n: int) -> None:
    probe_id = begin_probe(log, time_ms, far_end="wheel house")
    transfers = [Transfer(way, streams, time_ms + 5, 2500, n) for way in ("down", "up") for streams in (1, 4)]
    latencies = [
        Latency(at, load, "icmp", 20, 0, 2.5) for at in ("gateway", "far-end") for load in ("idle", "down", "up")
    ]
    end_probe(log, probe_id, time_ms + 25_000, "done", link=POTTERY_5, transfers=transfers, latencies=latencies)


def rows(path: Path, table: str) -> list[tuple[object, ...]]:
    db = sqlite3.connect(path)
    try:
        return db.execute(f"SELECT * FROM {table}").fetchall()
    finally:
        db.close()


# Ways to be damaged


def copy_of(path: Path, into: Path) -> Path:
    shutil.copyfile(path, into)
    return into


def overwrite(path: Path, at: int, data: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(data)


def n_pages(path: Path) -> int:
    return path.stat().st_size // PAGE


def page_of(path: Path, number: int) -> bytes:
    with path.open("rb") as file:
        file.seek((number - 1) * PAGE)
        return file.read(PAGE)


def hurt(path: Path, chance: random.Random) -> tuple[str, set[int]]:
    """Damage a file in one of many ways; says how, and which pages."""
    how = chance.choice(["zeros", "noise", "bytes", "bits", "cut", "swapped", "many", "begin"])
    pages = {chance.randint(1, n_pages(path))}
    match how:
        case "zeros":
            overwrite(path, (min(pages) - 1) * PAGE, bytes(PAGE))
        case "noise":
            overwrite(path, (min(pages) - 1) * PAGE, chance.randbytes(PAGE))
        case "bytes":
            overwrite(path, (min(pages) - 1) * PAGE + chance.randrange(PAGE - 8), chance.randbytes(8))
        case "bits":
            at = (min(pages) - 1) * PAGE + chance.randrange(PAGE)
            with path.open("rb") as file:
                file.seek(at)
                byte = file.read(1)[0]
            overwrite(path, at, bytes([byte ^ 1 << chance.randrange(8)]))
        case "cut":
            size = chance.randint(PAGE, path.stat().st_size - 1)
            pages = set(range(size // PAGE + 1, n_pages(path) + 1))
            with path.open("r+b") as file:
                file.truncate(size)
        case "swapped":
            other = chance.randint(1, n_pages(path))
            overwrite(path, (min(pages) - 1) * PAGE, page_of(path, other))
        case "many":
            pages = {chance.randint(2, n_pages(path)) for _ in range(chance.randint(2, 40))}
            for page in pages:
                overwrite(path, (page - 1) * PAGE, chance.choice([bytes(PAGE), chance.randbytes(PAGE)]))
        case "begin":
            size = chance.randint(1, 20) * PAGE
            pages = set(range(1, size // PAGE + 1))
            overwrite(path, 0, bytes(size))
    return how, pages


def rows_on_and_below(path: Path, page: int) -> int:
    """How many rows of a table with rowids stand on a page and on those below it: counted by the file format."""
    data = page_of(path, page)
    at = 100 if page == 1 else 0
    n_cells = struct.unpack_from(">H", data, at + 3)[0]
    if data[at] == 13:
        return n_cells
    if data[at] != 5:
        return 0
    starts = struct.unpack_from(f">{n_cells}H", data, at + 12)
    below = [struct.unpack_from(">I", data, start)[0] for start in starts]
    return sum(rows_on_and_below(path, child) for child in [*below, struct.unpack_from(">I", data, at + 8)[0]])
