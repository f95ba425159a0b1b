"""Advice over MQTT: one retained JSON message per recommendation, emptied when it clears.

Topics are ``<prefix>/<tank>/advice/<code>``, with ``/<subject>`` where a rule judges several
things, and ``<prefix>/<tank>/advice/summary``. The result of a trial is at
``<prefix>/<tank>/advice/trial/<id>`` for a month after its end. Whether they still count is at
``<prefix>/$advice/<client_id>``.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Collection, Sequence
from datetime import datetime, timedelta
from typing import Final

from service.advice.engine.documents import recommendation_document, summary_document
from service.advice.engine.history.change_events import ChangeKind, LedgerChange
from service.advice.engine.recommendation import Recommendation
from service.advice.sharing.leases import AllTanks, Leases
from service.advice.trials.documents import trial_document
from service.advice.trials.keeping import judgement_of
from service.config import MqttConfig
from service.derive.models.tank_view import TankView
from service.integrations.repeated import Repeated
from service.mqtt.connection import OFFLINE, ONLINE, Will
from service.mqtt.leftovers import MOST_LEFTOVERS, Leftover
from service.mqtt.retained import RetainedTopics, json_payload
from service.registry.models.recommendations import State
from service.registry.models.trials import Trial

QOS: Final = 1
TRIALS_SHOWN: Final = timedelta(days=30)
"""So long after its end a trial is published. Our choice."""
LIVENESS: Final = " liveness"
"""The group of the topic that says whether the tanks are evaluated; no tank's id has a blank."""
_NOT_IN_TOPICS = re.compile(r"[+#/\s\x00]+")


class MqttAdvice:
    """Publishes the open recommendations of each tank as retained messages.

    The summary names its publisher, the ``client_id`` of the configuration, so that what an
    earlier run has published of a tank that no longer exists is known as our own and withdrawn.
    A topic of liveness is ``online`` while the tanks are evaluated; by the last will, too, it is
    ``offline`` once they are not.
    """

    name = "mqtt-advice"

    def __init__(
        self,
        config: MqttConfig,
        lifetime_s: float,
        trials_over: Callable[[str], Sequence[Trial]] = lambda tank: (),
        role: str = "advice",
        leases: Leases | None = None,
        publishers: Callable[[], Collection[str]] = tuple,
    ) -> None:
        """Prepare.

        Args:
            lifetime_s: machine seconds after an evaluation for which its advice counts.
            trials_over: the trials of a tank that are over.
            role: end of the MQTT client's id, different for two that run at the same time.
            leases: which tanks are published here; None: all.
            publishers: the ``client_id`` of each process that published advice on tanks of this
                registry: what one that has ended left of a deleted tank is withdrawn as our own.

        Raises:
            ConfigError: the broker's address or a certificate file is wrong.
        """
        self._prefix = config.prefix
        self._publisher = config.client_id
        self._liveness_topic = f"{config.prefix}/$advice/{config.client_id}"
        self._lifetime_s = lifetime_s
        self._trials_over = trials_over
        self._evaluated_s = time.monotonic()
        self._overdue = Repeated("mqtt-advice", min(1.0, lifetime_s / 4), self._mark_overdue)
        self._clears = False
        #: tanks that are published here.
        self._tanks: set[str] = set()
        self._leases = leases or AllTanks()
        self._publishers = publishers
        #: tank -> who signed its summary at the broker, where another process did.
        self._signed_by: dict[str, str] = {}
        self._topics = RetainedTopics(
            config,
            role,
            will=Will(self._liveness_topic, OFFLINE, QOS),
            qos=QOS,
            filters=(f"{config.prefix}/+/advice/#", self._liveness_topic),
            identify=self._identify,
            owned=self._owned,
        )

    @property
    def mended(self) -> int:
        """Topics that were not as they were published, and were mended."""
        return self._topics.mended

    @property
    def is_connected(self) -> bool:
        """Whether the broker is connected and has been sent everything."""
        return self._topics.is_connected

    def clear(self) -> None:
        """Empty all topics, those of earlier runs too, in place of publishing; before ``start``."""
        self._clears = True
        self._topics.clear((self._liveness_topic,))

    @property
    def quiet_s(self) -> float:
        """Seconds since the broker was reached or sent what an earlier run has left; else 0."""
        return self._topics.quiet_s

    def start(self) -> None:
        """Connect in the background; a broker that is away is tried again."""
        self._topics.start()
        self._overdue.start()

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Publish what changed of a tank; everything of it at the first time."""
        tank = view.tank.id
        before = self._topics.messages(tank)
        messages = self._messages(tank, change.current, view.now)
        events = {one.id for one in change.of(ChangeKind.OPENED, ChangeKind.CHANGED)}
        fresh = {self._topic(one) for one in change.current if one.id in events}
        summary = self._summary_topic(tank)
        if summary not in before or fresh or set(before) - set(messages):
            fresh.add(summary)
        for topic in before:
            if topic in messages and topic not in fresh:
                messages[topic] = before[topic]  # nothing that a person would act on
        self._tanks.add(tank)
        self._topics.set(tank, messages)
        self._note_evaluation()

    def retain_only(self, tanks: frozenset[str]) -> None:
        """Empty all topics of other tanks."""
        self._tanks &= tanks
        self._topics.retain_only({LIVENESS, *tanks})
        if not tanks:
            self._note_evaluation()
        self._claim_deleted(tanks)

    def release(self, tanks: Collection[str]) -> None:
        """See ``Integration``; their summaries name the other one, whose liveness then counts."""
        self._tanks -= set(tanks)
        self._topics.release(tanks)

    def stop(self) -> None:
        """Say that evaluations end, then disconnect; advice stays at the broker."""
        self._overdue.stop()
        self._topics.stop(() if self._clears else [(self._liveness_topic, OFFLINE)])

    def _claim_deleted(self, tanks: frozenset[str]) -> None:
        """Withdraw the advice on deleted tanks that were another process' and are ours now."""
        deleted = {
            tank: publisher
            for tank, publisher in self._signed_by.copy().items()
            if tank not in tanks and self._leases.holds(tank)
        }
        if not deleted:
            return
        known = self._publishers()
        claimed = [tank for tank, one in deleted.items() if one in known]
        self._topics.claim(claimed)
        for tank in claimed:
            self._signed_by.pop(tank, None)  # from now on the topics know that it is ours

    def _note_evaluation(self) -> None:
        self._evaluated_s = time.monotonic()
        self._topics.set(LIVENESS, {self._liveness_topic: ONLINE})

    def _mark_overdue(self) -> None:
        """Say that the advice no longer counts, once the tanks were not evaluated for long.

        Where other processes evaluate all tanks there is none that could be old.
        """
        if self._tanks and time.monotonic() - self._evaluated_s > self._lifetime_s:
            self._topics.set(LIVENESS, {self._liveness_topic: OFFLINE})

    def _messages(
        self, tank: str, current: Sequence[Recommendation], now: datetime
    ) -> dict[str, str]:
        """Payload by topic of a tank's open recommendations, the summary last."""
        open_ones = [one for one in current if one.state is State.OPEN]
        documents = {self._topic(one): recommendation_document(one) for one in open_ones}
        for trial in self._trials_over(tank):
            if trial.ended is not None and now - trial.ended <= TRIALS_SHOWN:
                topic = f"{self._prefix}/{tank}/advice/trial/{trial.id}"
                documents[topic] = trial_document(trial, judgement_of(trial))
        summary = summary_document(tank, open_ones, now)
        documents[self._summary_topic(tank)] = {**summary, "publisher": self._publisher}
        return {topic: json_payload(document) for topic, document in documents.items()}

    def _topic(self, one: Recommendation) -> str:
        """The topic of a recommendation; a subject becomes one level."""
        topic = f"{self._prefix}/{one.tank}/advice/{one.finding.code}"
        subject = _NOT_IN_TOPICS.sub("-", one.finding.subject).strip("-")
        return f"{topic}/{subject}" if subject else topic

    def _owned(self) -> Callable[[str], bool]:
        holds = self._leases.confirmed()
        return lambda group: group == LIVENESS or holds(group)

    def _summary_topic(self, tank: str) -> str:
        return f"{self._prefix}/{tank}/advice/summary"

    def _identify(self, topic: str, payload: bytes) -> Leftover:
        """A summary that names this service shows that all of a tank's advice is ours."""
        tank = topic.removeprefix(f"{self._prefix}/").split("/")[0]
        if topic != self._summary_topic(tank):
            return Leftover(tank, [topic], ours=False)
        publisher = _publisher(payload)
        if publisher == self._publisher or not isinstance(publisher, str):
            self._signed_by.pop(tank, None)
        elif len(self._signed_by) < MOST_LEFTOVERS:
            self._signed_by[tank] = publisher
        return Leftover(tank, [topic], publisher == self._publisher)


def _publisher(summary: bytes) -> object:
    try:
        document = json.loads(summary)
    except ValueError:
        return None
    return document.get("publisher") if isinstance(document, dict) else None
