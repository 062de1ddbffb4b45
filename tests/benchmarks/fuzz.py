"""Feeds broken photos, lid files and tables to what reads them: ``python tests/benchmarks/fuzz.py [CASES] [SEED]``.

Every case must end in a result or in an error made for a grower, within ten seconds and one gibibyte, and a photo that
is refused must leave no reading in a book. Valid files are changed at random places; lid files are also put together
from values that do not fit.
"""

from __future__ import annotations

import faulthandler
import resource
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.fuzz_page import ADDRESSES, FORMS, UPLOADS, Fuzzed, addresses, forms, fuzzed, uploads
from benchmarks.mutations import CHANGES, Change, changed, photo_files
from grows import LID, begin, on

from sprout.book.entries import read_entries
from sprout.errors import LidError, PhotoError, SproutError, UsageError
from sprout.intake import log_photos
from sprout.lid import lid_toml, parse_lid, read_lid
from sprout.photo import photo_header, read_photo

MOST_SECONDS, MOST_MIB = 10.0, 1024.0
# how the cases are shared out; photos in a book take long, for each is written
SHARES = {"photo": 0.32, "lid text": 0.12, "lid values": 0.11, "table": 0.11, "photo into a book": 0.01} | {
    "page address": 0.15,
    "page form": 0.12,
    "page upload": 0.06,
}


@dataclass
class Tally:
    """What came of the cases of one kind: how many, what they ended in, the slowest, and each fault once."""

    cases: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    slowest: float = 0.0
    faults: dict[str, str] = field(default_factory=dict)

    def run(self, case: Callable[[], object], right: type[SproutError], shown: Callable[[], str]) -> None:
        """Run a case; only ``right`` may be raised."""
        self.cases += 1
        start = time.perf_counter()
        faulthandler.dump_traceback_later(6 * MOST_SECONDS, exit=True)  # a case that never ends shows where it is
        try:
            case()
            self.ends["read"] += 1
        except right as e:
            self.ends["refused"] += 1
            if "\n" in str(e) or not e.mend or len(str(e)) > 2000:
                self.faults.setdefault("a message that is no message", f"{shown()}: {str(e)[:200]!r}")
        except Exception as e:
            self.ends["fault"] += 1
            self.faults.setdefault(f"{type(e).__name__}: {str(e)[:80]}", shown())
        faulthandler.cancel_dump_traceback_later()
        took = time.perf_counter() - start
        self.slowest = max(self.slowest, took)
        if took > MOST_SECONDS:
            self.faults.setdefault(f"took {took:.0f} s", shown())


LIDS = [
    lid_toml(LID),
    'name = "ring"\npattern = "ring"\nring_sites = 6\nring_mm = 150.0\ncentre_site = true\nhole_mm = 34\n'
    '[tags]\nfamily = "4x4_50"\nsize_mm = 20.0\nids = [0, 1, 2, 3]\n',
    'pattern = "points"\nhole_mm = 20\npoints_mm = [[0, 0], [62, 0], [0, 70.5]]\nlabels = ["A1", "A2", "B1"]\n',
    'pattern = "staggered"\nrows = 3\ncolumns = 4\npitch_mm = [60, 50]\nstagger_mm = 30\nhole_mm = 30\n',
]
TABLES = [
    f"date,site,seedlings,tissue_cm2\n{on(3)},A1,2,1.5\n{on(4)},b2,0,\n",
    f"Datum;date;site;seedlings;yellow_pct\r\nx;{on(3)};A1;1;12,5\r\n",
    f'date\tsite\tseedlings\n"{on(5)}"\tA3\t"1"\n',
]
ODD = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.integers(-1, 300),
        st.floats(),
        st.text(max_size=12),
        st.just(5000).map(lambda digits: 10**digits),
        st.sampled_from(["grid", "ring", "points", "staggered", "4x4_50", float("nan"), [60, 60], 31.0]),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=6), st.dictionaries(st.text(max_size=8), inner, max_size=4)),
    max_leaves=12,
)
LID_KEYS = st.sampled_from(
    ["name", "pattern", "rows", "columns", "pitch_mm", "hole_mm", "stagger_mm"]
    + ["ring_sites", "ring_mm", "centre_site", "points_mm", "labels", "tags"]
)


def fuzz(folder: Path, cases: int, *, rng_seed: int) -> dict[str, Tally]:
    """Run so many cases in all, shared out by ``SHARES``."""
    from sprout.lid import make_lid

    tallies = {name: Tally() for name in SHARES}
    file, table = folder / "case.jpg", folder / "case.csv"
    # many changes leave a photo whole: a book takes only those that are refused, the others would really be read
    book = begin(folder / "book")

    def photo(data: bytes, changes: list[Change]) -> None:
        broken = changed(data, changes)
        file.write_bytes(broken)
        tallies["photo"].run(lambda: (photo_header(file), read_photo(file, judged=False)), PhotoError, changes.__repr__)

    def photo_into_book(data: bytes, changes: list[Change]) -> None:
        file.write_bytes(changed(data, changes))
        try:
            read_photo(file)
        except PhotoError:
            tallies["photo into a book"].run(lambda: _logged(book, file), PhotoError, changes.__repr__)

    def lid_text(text: str, changes: list[Change]) -> None:
        broken = changed(text.encode(), changes)
        (folder / "lid.toml").write_bytes(broken)
        tallies["lid text"].run(lambda: parse_lid(lid_toml(read_lid(folder / "lid.toml"))), LidError, broken.__repr__)

    def lid_values(text: str, values: dict[str, object]) -> None:
        keys = {**tomllib.loads(text), **values}
        tallies["lid values"].run(lambda: make_lid(**keys), LidError, lambda: str(list(values)))

    def entries(text: str, changes: list[Change]) -> None:
        broken = changed(text.encode(), changes)
        table.write_bytes(broken)
        tallies["table"].run(lambda: read_entries(table, LID.labels), UsageError, broken.__repr__)

    def to_page(name: str, page: Fuzzed, send: Callable[..., None]) -> Callable[..., None]:
        def case(*sent: object) -> None:
            tallies[name].run(lambda: send(page, *sent), UsageError, lambda: repr(sent)[-400:])

        return case

    def run(name: str, test: Callable[..., None], given_by: tuple[st.SearchStrategy[Any], ...]) -> None:
        options = settings(
            max_examples=max(1, round(cases * SHARES[name])),
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        spread = given(st.tuples(*given_by))(lambda drawn: test(*drawn))
        seed(rng_seed + list(SHARES).index(name))(options(spread))()

    with book:
        run("photo", photo, (st.sampled_from(photo_files()), CHANGES))
        run("lid text", lid_text, (st.sampled_from(LIDS), CHANGES))
        run("lid values", lid_values, (st.sampled_from(LIDS), st.dictionaries(LID_KEYS, ODD, max_size=3)))
        run("table", entries, (st.sampled_from(TABLES), CHANGES))
        run("photo into a book", photo_into_book, (st.sampled_from(photo_files()), CHANGES))
    with fuzzed(folder) as page:
        for name, send, given_by in (
            ("page address", addresses, ADDRESSES),
            ("page form", forms, FORMS),
            ("page upload", uploads, UPLOADS),
        ):
            run(name, to_page(name, page, send), given_by)
    return tallies


def _logged(book: object, file: Path) -> None:
    (logged,) = log_photos(book, [file], on=on(3))  # type: ignore[arg-type]
    assert logged.outcome in ("unread", "held"), f"{logged.outcome}: {logged.reason}"
    assert logged.reason
    assert book.evidence().looks.empty, "a reading of a refused photo"  # type: ignore[attr-defined]


def report() -> int:
    cases, rng_seed = (int(word) for word in [*sys.argv[1:], *("24000", "1")[len(sys.argv) - 1 :]])
    with tempfile.TemporaryDirectory() as folder:
        tallies = fuzz(Path(folder), cases, rng_seed=rng_seed)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{'kind':20} {'cases':>7} {'read':>7} {'refused':>8} {'faults':>7} {'slowest':>9}")
    for name, t in tallies.items():
        print(f"{name:20} {t.cases:7} {t.ends['read']:7} {t.ends['refused']:8} {len(t.faults):7} {t.slowest:7.2f} s")
    print(f"peak memory {peak:.0f} MiB, {sum(t.cases for t in tallies.values())} cases")
    for name, tally in tallies.items():
        for fault, shown in tally.faults.items():
            print(f"{name}: {fault}\n    {shown[:400]}")
    return int(any(t.faults for t in tallies.values()) or peak > MOST_MIB)


if __name__ == "__main__":
    sys.exit(report())
