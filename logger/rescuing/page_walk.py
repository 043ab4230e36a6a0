"""Reads the rows of a SQLite file page by page, however damaged, and never writes to it.

SQLite stops at the first page that it cannot make sense of. Here each table's tree is walked from its root by the file
format (logger/rescuing/page_format.py): a page that makes no sense costs its own rows and those below it. The
write-ahead log counts as SQLite counts it: its frames up to the last commit, as far as their checksums hold.
"""

from __future__ import annotations

import struct
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

from logger.rescuing.page_format import PAGE_SIZE, committed_frames, values_of, varint_at

_TABLE_LEAF, _TABLE_INTERIOR, _KEY_LEAF, _KEY_INTERIOR = 0x0D, 0x05, 0x0A, 0x02
_TREE_PAGES = (_TABLE_LEAF, _TABLE_INTERIOR, _KEY_LEAF, _KEY_INTERIOR)
_SENSELESS = (IndexError, ValueError, struct.error, TypeError, UnicodeDecodeError)

Row = tuple[Any, ...]
Key = tuple[Any, ...]  # (rowid,), or the key columns of a table without rowid


class Shape(NamedTuple):
    """What a table's rows look like: so many stored columns; which one is the rowid (None: none is, or there is none);
    how many columns at the front are its key (0: it has rowids); their types as SQLite calls them, where they tell
    its rows from those of other tables; how many at the end were added to the table, which older rows lack."""

    n_columns: int
    rowid_at: int | None
    n_key: int = 0
    types: tuple[str, ...] = ()
    n_added: int = 0


class Hole(NamedTuple):
    """A page that could not be read: its rows had keys above ``after`` and up to ``upto``; None: no limit known."""

    page: int
    after: Key | None
    upto: Key | None


class PageWalk:
    """The trees of one file. ``holes`` and ``n_refused`` (rows that make no sense) tell of the last tree walked."""

    def __init__(self, path: Path) -> None:
        """Raises OSError where the file cannot be read."""
        self._file = path.open("rb")
        self._wal = None
        self.holes: list[Hole] = []
        self.n_refused = 0
        self.n_pages_read = 0
        self._walked: set[int] = set()
        try:
            self._n_bytes = path.stat().st_size
            head = self._file.read(100)
            self.page_size = self._likely_page_size(head)
            reserved = head[20] if len(head) == 100 and head[20] <= 64 else 0
            self._usable = self.page_size - reserved
            self._frames: dict[int, int] = {}  # page: where its newest committed content lies in the log
            wal = path.with_name(path.name + "-wal")
            if wal.exists():
                self._wal = wal.open("rb")
                self._frames = committed_frames(self._wal.read(), self.page_size)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        self._file.close()
        if self._wal is not None:
            self._wal.close()

    def __enter__(self) -> PageWalk:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def n_pages(self) -> int:
        return max(-(-self._n_bytes // self.page_size), max(self._frames, default=0))

    def page(self, number: int) -> bytes:
        """Raises ValueError where there is none, or less than a whole one."""
        self.n_pages_read += 1
        if number in self._frames and self._wal is not None:
            self._wal.seek(self._frames[number])
            return self._wal.read(self.page_size)
        if not 0 < number <= self.n_pages:
            raise ValueError(f"there is no page {number}")
        self._file.seek((number - 1) * self.page_size)
        page = self._file.read(self.page_size)
        if len(page) < self.page_size:
            raise ValueError(f"page {number} is cut off")
        return page

    def user_version(self) -> int | None:
        """The schema's number; None where the first page is gone."""
        try:
            return int.from_bytes(self.page(1)[60:64], "big")
        except ValueError:
            return None

    def roots(self, shapes: Mapping[str, Shape], likely: Mapping[str, int] | None = None) -> dict[str, int]:
        """The root page of each of these tables that can be found. ``likely``: where to look for those of which the
        schema has lost its words; a page there has to hold rows of that shape."""
        wanted, found = set(shapes), {}
        for kind, name, _, root, *_ in self.rows(1, Shape(5, None)):
            if kind == "table" and name in wanted and isinstance(root, int):
                found[name] = root
        if wanted - set(found):  # the way to the schema is broken: its leaves tell what they are
            for number in range(1, self.n_pages + 1):
                for name, root in self._schema_leaf(number):
                    if name in wanted and self._fits(root, shapes[name]):
                        found.setdefault(name, root)
        for name, root in (likely or {}).items():
            if name in wanted - set(found) and root not in found.values() and self._fits(root, shapes[name]):
                found[name] = root
        return found

    def rows(self, root: int, shape: Shape) -> Iterator[Row]:
        """All rows of the tree, in order of their keys, each as its stored columns; trailing columns that were added
        to the table after the row was written are None."""
        self.holes, self.n_refused = [], 0
        seen: set[int] = set()
        todo: list[tuple[int, Key | None, Key | None] | Row] = [(root, None, None)]
        pages = [True]  # whether the entry of todo is a page, else a row
        while todo:
            entry, is_page = todo.pop(), pages.pop()
            if not is_page:
                yield entry
                continue
            number, after, upto = entry
            try:
                if number in seen:
                    raise ValueError(f"page {number} comes twice")
                seen.add(number)
                data = self.page(number)
                at = 100 if number == 1 else 0
                flag, n_cells = data[at], int.from_bytes(data[at + 3 : at + 5], "big")
                leaf, interior = (_KEY_LEAF, _KEY_INTERIOR) if shape.n_key else (_TABLE_LEAF, _TABLE_INTERIOR)
                if flag not in (leaf, interior) or n_cells * 6 > self.page_size:
                    raise ValueError(f"page {number} is not of this tree")
                starts = struct.unpack_from(f">{n_cells}H", data, at + (8 if flag == leaf else 12))
                self._walked.add(number)
                if flag == leaf:
                    cells = self._leaf_cells(data, starts, shape)
                    for _, row in self._in_order(cells, len(starts), after, upto):
                        yield row
                    continue
                below = self._interior_cells(data, starts, shape)
                last = int.from_bytes(data[at + 8 : at + 12], "big")
            except _SENSELESS:
                self.holes.append(Hole(number, after, upto))
                continue
            lower, entries, kinds = after, [], []
            for key, (child, row_between) in self._in_order(below, len(starts), after, upto):
                entries.append((child, lower, key))
                kinds.append(True)
                if row_between is not None:
                    entries.append(row_between)
                    kinds.append(False)
                lower = key
            todo += reversed([*entries, (last, lower, upto)])
            pages += reversed([*kinds, True])

    def stray_rows(self, shapes: Mapping[str, Shape]) -> Iterator[tuple[str, Row]]:
        """Rows of leaves that no tree walked so far has led to, with the name of the shape that they have: what lay
        below a page that was lost. Not those of pages that the file has given up, as far as it can tell."""
        free = self._free_pages()
        for number in range(2, self.n_pages + 1):
            if number in self._walked or number in free:
                continue
            try:
                data = self.page(number)
                n_cells = int.from_bytes(data[3:5], "big")
                if data[0] not in (_TABLE_LEAF, _KEY_LEAF) or not 0 < n_cells * 4 < self.page_size:
                    continue
                starts = struct.unpack_from(f">{n_cells}H", data, 8)
            except _SENSELESS:
                continue
            for name, shape in shapes.items():
                if bool(shape.n_key) != (data[0] == _KEY_LEAF):
                    continue
                cells = self._leaf_cells(data, starts, shape, exact=True)
                if len(self._in_order(cells, 0, None, None)) == n_cells and all(_fits(row, shape) for _, row in cells):
                    for _, row in cells:
                        yield name, row
                    break

    def _free_pages(self) -> set[int]:
        free: set[int] = set()
        try:
            trunk = int.from_bytes(self.page(1)[32:36], "big")
            while trunk and trunk not in free:
                free.add(trunk)
                data = self.page(trunk)
                trunk, n = struct.unpack_from(">2I", data)
                free.update(struct.unpack_from(f">{min(n, self.page_size // 4 - 2)}I", data, 8))
        except _SENSELESS:
            pass
        return free

    def _in_order(
        self, cells: Sequence[tuple[Key, Any]], n_cells: int, after: Key | None, upto: Key | None
    ) -> Sequence[tuple[Key, Any]]:
        """The cells whose keys lie within the limits and rise; the others are refused."""
        try:
            kept = [cell for cell in cells if (after is None or cell[0] > after) and (upto is None or cell[0] <= upto)]
            keys = [key for key, _ in kept]
            if any(one >= other for one, other in pairwise(keys)):
                kept = [kept[index] for index in _longest_rise(keys)]
        except TypeError:  # keys of different kinds
            kept = []
        self.n_refused += n_cells - len(kept)
        return kept

    def _leaf_cells(
        self, data: bytes, starts: Sequence[int], shape: Shape, *, exact: bool = False
    ) -> list[tuple[Key, Row]]:
        """``exact``: with all columns, but for those that were added."""
        cells = []
        for start in starts:
            try:
                size, at = varint_at(data, start)
                rowid = None
                if not shape.n_key:
                    rowid, at = varint_at(data, at)
                    rowid -= (rowid >= 1 << 63) << 64
                row = self._row(self._payload(data, at, size, shape), shape, rowid, exact)
            except _SENSELESS:
                continue
            cells.append((row[: shape.n_key] if shape.n_key else (rowid,), row))
        return cells

    def _interior_cells(
        self, data: bytes, starts: Sequence[int], shape: Shape
    ) -> list[tuple[Key, tuple[int, Row | None]]]:
        """(key, (page of what lies up to the key, the row that the cell itself holds))."""
        cells: list[tuple[Key, tuple[int, Row | None]]] = []
        for start in starts:
            try:
                child = int.from_bytes(data[start : start + 4], "big")
                size, at = varint_at(data, start + 4)
                if not shape.n_key:
                    cells.append(((size - ((size >= 1 << 63) << 64),), (child, None)))
                    continue
                row = self._row(self._payload(data, at, size, shape), shape, None)
            except _SENSELESS:
                continue
            cells.append((row[: shape.n_key], (child, row)))
        return cells

    def _payload(self, data: bytes, at: int, size: int, shape: Shape) -> bytes:
        """A cell's content, with what overflowed to pages of its own."""
        usable = self._usable
        most = (usable - 12) * 64 // 255 - 23 if shape.n_key else usable - 35
        if size <= most:
            if at + size > len(data):
                raise ValueError("a cell reaches over its page")
            return data[at : at + size]
        if size > self._n_bytes + len(self._frames) * self.page_size:
            raise ValueError("a row is larger than the file")
        least = (usable - 12) * 32 // 255 - 23
        local = least + (size - least) % (usable - 4)
        local = local if local <= most else least
        parts, left = [data[at : at + local]], size - local
        following = int.from_bytes(data[at + local : at + local + 4], "big")
        while left > 0:
            page = self.page(following)
            following = int.from_bytes(page[:4], "big")
            parts.append(page[4 : 4 + min(left, usable - 4)])
            left -= usable - 4
        return b"".join(parts)

    def _row(self, payload: bytes, shape: Shape, rowid: int | None, exact: bool = False) -> Row:
        values = values_of(payload)
        least = shape.n_columns - shape.n_added if exact else max(shape.n_key, 1)
        if not least <= len(values) <= shape.n_columns:
            raise ValueError("a row of another table")
        values += [None] * (shape.n_columns - len(values))
        if shape.rowid_at is not None:
            values[shape.rowid_at] = rowid
        return tuple(values)

    def _schema_leaf(self, number: int) -> Iterator[tuple[str, int]]:
        try:
            data = self.page(number)
            at = 100 if number == 1 else 0
            if data[at] != _TABLE_LEAF or b"CREATE TABLE" not in data:
                return
            starts = struct.unpack_from(f">{int.from_bytes(data[at + 3 : at + 5], 'big')}H", data, at + 8)
        except _SENSELESS:
            return
        for _, (kind, name, _, root, text) in self._leaf_cells(data, starts, Shape(5, None)):
            if kind == "table" and isinstance(root, int) and str(text).startswith("CREATE TABLE"):
                yield str(name), root

    def _fits(self, root: int, shape: Shape) -> bool:
        """Whether a tree of such rows begins there."""
        try:
            data = self.page(root)
        except ValueError:
            return False
        leaf, interior = (_KEY_LEAF, _KEY_INTERIOR) if shape.n_key else (_TABLE_LEAF, _TABLE_INTERIOR)
        if data[0] not in (leaf, interior):
            return False
        if data[0] == leaf and data[3:5] == b"\0\0":
            return True
        return next(self.rows(root, shape), None) is not None

    def _likely_page_size(self, head: bytes) -> int:
        """What the file says, unless 4096 makes more sense of its first pages."""
        said = int.from_bytes(head[16:18], "big")
        said = 65536 if said == 1 else said
        if said == PAGE_SIZE or said < 512 or said & (said - 1):
            return PAGE_SIZE

        def n_sensible(size: int) -> int:
            n = 0
            for number in range(1, min(50, self._n_bytes // size)):
                self._file.seek(number * size)
                n += self._file.read(1)[:1] in {bytes([flag]) for flag in _TREE_PAGES}
            return n * size  # of as many bytes

        return said if n_sensible(said) > n_sensible(PAGE_SIZE) else PAGE_SIZE


_TYPES: dict[str, tuple[type, ...]] = {"INTEGER": (int,), "REAL": (int, float), "TEXT": (str,), "BLOB": (bytes,)}


def _fits(row: Row, shape: Shape) -> bool:
    """Whether the values are of the types of that table."""
    kinds = zip(row, shape.types, strict=bool(shape.types))
    return all(value is None or isinstance(value, _TYPES[kind]) for value, kind in kinds)


def _longest_rise(keys: Sequence[Key]) -> list[int]:
    """The indices of a longest strictly rising subsequence."""
    ends: list[Key] = []
    at: list[int] = []
    before: list[int] = []
    for index, key in enumerate(keys):
        place = bisect_left(ends, key)
        before.append(at[place - 1] if place else -1)
        ends[place : place + 1] = [key]
        at[place : place + 1] = [index]
    rise = []
    index = at[-1] if at else -1
    while index >= 0:
        rise.append(index)
        index = before[index]
    return rise[::-1]
