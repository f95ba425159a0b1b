"""What two VictoriaMetrics nodes lose and leave unanswered while parts of them are killed.

    python -m tests.bench.two_nodes [--rate 1000] [--reader nginx] [--without-nodes] [SITUATION ...]

Both nodes, vmagent and nginx run on the files that docker/victoriametrics ships. Numbered readings
of ten tanks are committed as the ingester does it (spool, buffered writer), so each counts as
acknowledged; meanwhile the newest readings are asked for 20 times a second. Then a part is killed
(``kill -9``) and started again. Printed of each situation: the readings that a node does not have
at the end, asked for itself; the questions that got no answer, and for how long; the answers
that did not have the last five seconds; and how long after the last start both nodes had all.

``--reader vmauth`` reads through Debian's vmauth in place of nginx. ``--without-nodes`` leaves
the nodes' addresses out of the store's URL, so that a restart behind vmagent is not noticed.
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import requests

from ingest.deliver.committer import Committer
from ingest.deliver.spool import Spool
from ingest.process import Processed
from service.clock import SystemClock
from service.errors import LittoralError
from service.registry.registry import open_registry
from service.store import Reading, SeriesKey, Store, open_store
from service.store.transfer.copy import copy
from tests.bench.store_year import server_s
from tests.servers import HOST, Server, program
from tests.store.two_nodes import TwoNodes

KEYS = [SeriesKey(f"tank-{n}", "temperature", "probe") for n in range(10)]
#: An answer without a reading of the last seconds is old: new points show after a second or two.
_OLD_S = 5.0
_ASK_EVERY_S = 0.05
_COMMIT_EVERY_S = 0.1
#: Both nodes are waited for so long: vmagent tries an absent one again after a minute at most.
_COMPLETE_S = 120.0


class Vmauth(Server):
    """Debian's vmauth before both nodes, which takes them in turn."""

    name = "vmauth"

    def __init__(self, folder: Path, nodes: Sequence[Server]) -> None:
        super().__init__(folder)
        prefixes = "".join(f"  - http://{HOST}:{node.port}\n" for node in nodes)
        (folder / "auth.yml").write_text(
            f"users:\n- username: reader\n  password: reader\n  url_prefix:\n{prefixes}"
        )

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        config = self.folder / "auth.yml"
        return [program("vmauth"), f"-httpListenAddr={HOST}:{self.port}", f"-auth.config={config}"]


@dataclass
class Boards:
    """Commits numbered readings at a pace, each with the time at which it was made."""

    committer: Committer
    rate: float
    count: int = 0
    stop: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        """Until stopped."""
        start_us, start_s = time.time_ns() // 1000, time.monotonic()
        while not self.stop.is_set():
            due = int((time.monotonic() - start_s) * self.rate) - self.count
            readings = [
                _reading(number, start_us + int(number / self.rate * 1e6))
                for number in range(self.count, self.count + due)
            ]
            if readings:
                assert self.committer.commit(Processed(readings))
                self.count += due
            self.stop.wait(_COMMIT_EVERY_S)


def _reading(number: int, time_us: int) -> Reading:
    key = KEYS[number % len(KEYS)]
    return Reading(key.tank, key.quantity, key.sensor, time_us, float(number))


@dataclass
class Asker:
    """Asks for the newest readings again and again, and notes what came of it."""

    store: Store
    asked: int = 0
    unanswered: list[float] = field(default_factory=list)
    old: list[float] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        """Until stopped."""
        while not self.stop.wait(_ASK_EVERY_S):
            now_us = time.time_ns() // 1000
            key = KEYS[self.asked % len(KEYS)]
            self.asked += 1
            try:
                found = self.store.read(key, now_us - int(_OLD_S * 1e6), now_us)
            except LittoralError:
                self.unanswered.append(time.monotonic())
            else:
                if not len(found.value):
                    self.old.append(time.monotonic())


def stretch_s(moments: Sequence[float]) -> float:
    """The longest time for which it went on, pauses of less than two questions left out."""
    longest = start = 0.0
    for at, moment in enumerate(moments):
        if not at or moment - moments[at - 1] > 3 * _ASK_EVERY_S:
            start = moment
        longest = max(longest, moment - start + _ASK_EVERY_S)
    return longest


def numbers_on(node: Server) -> set[int]:
    """The numbers that a node itself has."""
    with closing(open_store(f"victoriametrics://{HOST}:{node.port}")) as store:
        return {int(value) for key in KEYS for value in store.read(key, 0, 1 << 62).value}


def nothing(_: TwoNodes) -> None:
    """Nothing is killed, for 30 s."""
    time.sleep(30)


def node_1(layout: TwoNodes) -> None:
    """The first node is killed, back after 10 s."""
    _away(layout.nodes[0], 10)


def node_2(layout: TwoNodes) -> None:
    """The second node is killed, back after 10 s."""
    _away(layout.nodes[1], 10)


def vmagent(layout: TwoNodes) -> None:
    """vmagent is killed, back after 1 s."""
    _away(layout.relay, 1)


def node_and_vmagent(layout: TwoNodes) -> None:
    """The first node is killed for 15 s, and in the middle vmagent for 1 s."""
    layout.nodes[0].kill()
    time.sleep(7)
    _away(layout.relay, 1)
    time.sleep(7)
    layout.nodes[0].start()


def reader(layout: TwoNodes) -> None:
    """The reader (nginx) is killed, back after 1 s."""
    _away(layout.reader, 1)


def catching_up(layout: TwoNodes) -> None:
    """The first node is killed for 45 s, and again as soon as it got what it had missed."""
    _away(layout.nodes[0], 45)
    had = len(numbers_on(layout.nodes[0]))
    end_s = time.monotonic() + _COMPLETE_S
    while len(numbers_on(layout.nodes[0])) <= had and time.monotonic() < end_s:
        time.sleep(0.2)
    _away(layout.nodes[0], 2)


def _away(server: Server, seconds: float) -> None:
    server.kill()
    time.sleep(seconds)
    server.start()


SITUATIONS: Mapping[str, Callable[[TwoNodes], None]] = {
    one.__name__: one
    for one in (nothing, node_1, node_2, vmagent, node_and_vmagent, reader, catching_up)
}


def opened(url: str, *, with_nodes: bool) -> Store:
    """The store of the shipped URL, or without its nodes."""
    return open_store(url if with_nodes else url.partition("&nodes=")[0])


def measured(name: str, rate: float, *, with_nodes: bool, by_vmauth: bool) -> None:
    """Run one situation and print what came of it."""
    situation = SITUATIONS[name]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        layout = TwoNodes(folder)
        url = layout.url
        if by_vmauth:
            front = Vmauth(folder / "vmauth", layout.nodes)
            url = url.replace(f":{layout.reader.port}", f":{front.port}")
            url = url.replace("://", "://reader:reader@")
            layout.reader = front
        store = asking = None
        try:
            layout.start()
            store, asking = opened(url, with_nodes=with_nodes), opened(url, with_nodes=with_nodes)
            _run(situation, layout, store, asking, rate, folder)
        finally:
            for one in (store, asking):
                if one is not None:
                    one.close()
            layout.stop()


def _run(
    situation: Callable[[TwoNodes], None],
    layout: TwoNodes,
    store: Store,
    asking: Store,
    rate: float,
    folder: Path,
) -> None:
    spool = Spool(folder / "spool.db", 100.0)
    registry = open_registry(f"sqlite:///{folder}/registry.db")
    committer = Committer(
        store, registry, spool, SystemClock(), most_rejections=10, max_inflight=1000
    )
    boards, asker, ended = Boards(committer, rate), Asker(asking), threading.Event()
    threads = [
        threading.Thread(target=boards.run),
        threading.Thread(target=asker.run),
        threading.Thread(target=committer.readings.drain, args=(ended,)),
    ]
    threads[0].start()
    threads[2].start()
    time.sleep(8)  # until the new series show
    threads[1].start()
    time.sleep(4)
    used, sent = [server_s(server.pid) for server in layout.servers], boards.count
    situation(layout)
    if situation is nothing:
        _tell_cost(layout, used, boards.count - sent)
    back_s = time.monotonic()
    time.sleep(12)
    boards.stop.set()
    asker.stop.set()
    threads[0].join()
    threads[1].join()
    committer.readings.flush(60.0)
    missing = _complete(layout, boards.count)
    took_s = time.monotonic() - back_s
    ended.set()
    committer.readings.wake()
    threads[2].join()
    depth_mb = (folder / "spool.db").stat().st_size / 1e6
    spool.close()
    registry.close()
    lost = ", ".join(f"node {n}: {len(one):,}" for n, one in enumerate(missing, 1))
    print(f"{(situation.__doc__ or '').strip()}")
    print(
        f"  {boards.count:,} acknowledged; missing at the end: {lost}; "
        f"on both: {len(missing[0] & missing[1]):,}; "
        + ("not complete" if any(missing) else f"both complete within {took_s:.0f} s")
    )
    print(
        f"  {asker.asked:,} questions; no answer: {len(asker.unanswered):,} "
        f"({stretch_s(asker.unanswered):.1f} s at a stretch); without the last {_OLD_S:.0f} s: "
        f"{len(asker.old):,} ({stretch_s(asker.old):.1f} s); spool {depth_mb:.1f} MB",
        flush=True,
    )
    if any(missing):
        _mend(layout, missing)


def _tell_cost(layout: TwoNodes, before: Sequence[float], count: int) -> None:
    """Processor time of each server for a reading; the questions' is in it."""
    spent = [server_s(one.pid) - used for one, used in zip(layout.servers, before, strict=True)]
    names = ("node 1", "node 2", "vmagent", "reader")
    figures = ", ".join(
        f"{name} {seconds / count * 1e6:.0f}" for name, seconds in zip(names, spent, strict=True)
    )
    print(f"us of processor time for each reading: {figures}")


def _complete(layout: TwoNodes, count: int) -> list[set[int]]:
    """What each node misses, once both have all or nothing more comes."""
    wanted, end_s = set(range(count)), time.monotonic() + _COMPLETE_S
    missing = [wanted, wanted]
    same = 0
    while any(missing) and same < 15 and time.monotonic() < end_s:
        time.sleep(1)
        layout.show()
        now = [wanted - numbers_on(node) for node in layout.nodes]
        waiting = "pending_data_bytes" in _pending(layout.relay)
        same = same + 1 if now == missing and not waiting else 0
        missing = now
    return missing


def _pending(relay: Server) -> str:
    """vmagent's lines of what waits for a node."""
    lines = requests.get(f"http://{HOST}:{relay.port}/metrics", timeout=10).text.splitlines()
    return "\n".join(
        line
        for line in lines
        if line.startswith("vmagent_remotewrite_pending_data_bytes") and not line.endswith(" 0")
    )


def _mend(layout: TwoNodes, missing: Sequence[set[int]]) -> None:
    """Copy from the node that has more, as ``littoral copy`` does, and look again."""
    order = layout.nodes if len(missing[0]) < len(missing[1]) else layout.nodes[::-1]
    source, target = (open_store(f"victoriametrics://{HOST}:{node.port}") for node in order)
    copy(source, target, KEYS)
    source.close()
    target.close()
    layout.show()
    left = [numbers_on(order[0]) - numbers_on(order[1])]
    print(f"  after littoral copy from one node to the other: {len(left[0]):,} missing", flush=True)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("situations", nargs="*", metavar="SITUATION", help=", ".join(SITUATIONS))
    parser.add_argument("--rate", type=float, default=1000.0, help="readings a second")
    parser.add_argument("--reader", choices=["nginx", "vmauth"], default="nginx")
    parser.add_argument("--without-nodes", action="store_true")
    given = parser.parse_args()
    for name in given.situations or SITUATIONS:
        measured(
            name,
            given.rate,
            with_nodes=not given.without_nodes,
            by_vmauth=given.reader == "vmauth",
        )


if __name__ == "__main__":
    main()
