"""Mail from evaluation to mailbox: when it is sent, once, what it says, and how it ends."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from email import message_from_bytes
from email.policy import default
from email.utils import parsedate_to_datetime
from html import unescape

import pytest

from service.advice.cautions import ANIMALS, NO_SAFETY_DEVICE
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Recommendation, Severity
from service.integrations.email.contents import urgent_letter
from service.integrations.email.letter import plain_text
from service.integrations.email.message import message_of
from service.integrations.email.schedule import last_due
from service.integrations.email.unsubscribe import target_of
from service.registry.models.absence import Absence
from service.registry.models.events import DeliveryState
from service.registry.models.log import LogKind
from service.registry.models.recommendations import State
from service.registry.tables.tanks import TankRow
from tests.advice.engine.test_ledger import finding
from tests.derive.pieces import NOON, a_tank
from tests.integrations.email.conftest import ANA, NOW, Post
from tests.integrations.email.smtp_server import MailReceiver, Received

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
BO = replace(ANA, name="bo", to="bo@example.org", digest=None)


def recommendation() -> Recommendation:
    return Recommendation("a", "reed", finding(), State.OPEN, NOON, NOON)


def test_the_days_mail_is_due_by_the_tanks_own_clock() -> None:
    """Summer time began in the zone on 29 March 2026 (IANA time zone database)."""
    at = time(7, 30)
    before, after = (
        datetime(2026, 3, 28, 7, 30, tzinfo=UTC),
        datetime(2026, 3, 29, 6, 30, tzinfo=UTC),
    )
    assert last_due("Europe/Lisbon", at, before) == before
    assert last_due("Europe/Lisbon", at, after - timedelta(seconds=1)) == before
    assert last_due("Europe/Lisbon", at, after) == after


def test_each_day_has_one_mail_also_after_a_restart_and_a_long_stop(post: Post) -> None:
    with MailReceiver() as receiver:
        email = post.made(receiver)
        assert post.later(email) == 0, "the first one comes at the next hour"
        assert post.later(email, hours=19, minutes=29) == 0
        assert post.later(email, minutes=1) == 1
        assert post.later(email, hours=1) == 0
        assert post.later(post.made(receiver), hours=1) == 0, "after a restart"
        assert post.later(post.made(receiver), days=3) == 1, "missed while down: the last alone"
        assert post.later(post.made(receiver), hours=1) == 0
    assert [one.recipients for one in receiver.received] == [["ana@example.org"]] * 2
    counts = post.home.registry.delivery_counts()
    assert counts == {("mail/ana", DeliveryState.DELIVERED): 2}


def test_a_day_without_work_has_no_mail(post: Post) -> None:
    """Nothing is open, and the plans ask for nothing today."""
    post.home.registry.put_tank(a_tank(doses=(), co2_injected=False))
    ledger = Ledger(post.home.registry)
    for kind, data in (
        (LogKind.WATER_CHANGE, {"fraction": 0.5}),
        (LogKind.KH_TEST, {"kh_meq_l": 1.4}),
        (LogKind.CALIBRATION, {"quantity": "ph"}),
        (LogKind.FILTER_CLEAN, {"part": "filter"}),
        (LogKind.FILTER_CLEAN, {"part": "pre-filter"}),
    ):
        post.home.registry.add_log("reed", kind, NOON - HOUR, data)
    [one] = ledger.list("reed")
    ledger.mark(one.id, State.DISMISSED, now=post.home.clock.now())
    with MailReceiver() as receiver:
        email = post.made(receiver)
        post.later(email)
        assert post.later(email, hours=20) == 1
    assert receiver.received == []
    [skipped] = post.home.registry.deliveries()
    assert (skipped.state, skipped.last_error) == (DeliveryState.SKIPPED, "nothing to do")


def a_digest(post: Post, *recipients: object, **options: object) -> Received:
    with MailReceiver() as receiver:
        email = post.made(receiver, *recipients, **options)  # type: ignore[arg-type]
        post.later(email)
        post.later(email, hours=20)
    return receiver.received[0]


def test_the_mail_says_what_to_do_with_cautions_and_a_link(post: Post) -> None:
    post.home.registry.put_tank(a_tank(contact="Ira, 555 0100"))
    text = a_digest(post).text()
    assert "Reed bed\n========\n\nTemperature not known: " in text
    assert (
        "- Water is too warm. Open the lid. Call the tank keeper: Ira, 555 0100. Safety: 1.\n"
        in text
    )
    assert "https://tanks.example.org/tanks/reed" in text
    assert "call Ira, 555 0100" in text
    safety = text.partition("Before you start: safety\n------------------------\n")[2]
    assert safety.count(ANIMALS) == text.count(ANIMALS) == 1, "once, by its number"
    assert text.count("no safety device") == 1
    assert "- siphon: to draw water out with a hose" in text, "the trade's words are explained"
    assert "Look at the tank" not in text, "only while the keeper is away"


def test_a_mail_without_cautions_says_as_well_that_it_is_no_safety_device(post: Post) -> None:
    """RFC 3676, 4.3: what stands below two dashes and a space is the signature."""
    letter = urgent_letter(a_tank(), recommendation(), ANA, "", ())
    assert plain_text(letter).endswith(f"-- \n{NO_SAFETY_DEVICE}\n")


def test_plain_text_and_html_have_the_same_words(post: Post) -> None:
    """RFC 2046, 5.1.4: the parts of multipart/alternative say the same."""
    received = a_digest(post, replace(ANA, keeper=True, units="us"))
    assert received.message.get_content_type() == "multipart/alternative"
    body = received.text("html").partition("<body")[2].partition(">")[2]
    assert not re.search(r"<(img|script|link|style|iframe)|\bon\w+=|url\(", body)
    words = re.findall(r"\w+", unescape(re.sub(r"<[^>]+>", " ", body)))
    plain = re.findall(r"\w+", re.sub(r"^\d+\. ", "", received.text(), flags=re.MULTILINE))
    assert words == plain


def test_amounts_come_in_the_recipients_units_as_well(post: Post) -> None:
    """NIST SP 811 (2008), B.8: a US gallon is 3.785412 L; °F = 1.8 °C + 32."""
    for minutes in range(90, -1, -5):
        post.home.clock.moment = NOON + timedelta(hours=20, minutes=-minutes)
        post.home.measure("reed", temperature=25.0)
    post.home.clock.moment = NOON
    text = a_digest(post, replace(ANA, units="us", keeper=True)).text()
    assert "25.0 °C is 77 °F; the range 22 to 28 °C is 72 to 82 °F" in text
    change = re.search(r"([0-9.]+) L is ([0-9.]+) US gallons", text)
    assert change and float(change[2]) == pytest.approx(float(change[1]) / 3.785412, abs=0.06)


def test_while_the_keeper_is_away_the_daily_check_is_in_it(post: Post) -> None:
    away = Absence("a", NOON, NOON + 7 * DAY, covers="Ana", contact="Ira, 555 0199")
    post.home.registry.put_absences([away])
    text = a_digest(post).text()
    assert "Look at the tank" in text
    assert "call Ira, 555 0199" in text


def test_headers_are_those_of_automatic_mail(post: Post) -> None:
    message = a_digest(post).message
    assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5
    assert message["From"] == "Littoral <littoral@example.org>"
    assert message["To"] == "ana@example.org"
    assert message["Message-ID"].endswith("@example.org>")
    assert message["References"] == message["In-Reply-To"] != message["Message-ID"]
    sent = parsedate_to_datetime(message["Date"])
    assert sent == post.machine.moment and sent.tzinfo is not None
    # RFC 8058, 3.1: both, and an https address alone
    assert message["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    url = message["List-Unsubscribe"].strip("<>")
    assert url.startswith("https://tanks.example.org/mail/stop/")
    assert target_of(post.home.registry, url.rpartition("/")[2]) == "mail/ana"


def test_without_https_there_is_a_link_but_no_one_click(post: Post) -> None:
    received = a_digest(post, public_url="http://tanks.lan")
    assert received.message["List-Unsubscribe"] is None
    assert "http://tanks.lan/mail/stop/" in received.text()
    other = replace(ANA, name="al")
    post.home.clock.moment = NOON
    bare = a_digest(post, other, public_url=None)
    assert bare.message["List-Unsubscribe"] is None
    assert "http" not in bare.text() and "ask whoever runs it" in bare.text()


HOSTILE = (
    "Reed\r\nBcc: eve@example.org",
    "Reed\nX-Evil: 1\n\nbody",
    "Reed\x00\u2028\u202ebed",
    "<script>alert(1)</script>",
    "Rohrlicht 水草 " * 20,
)


@pytest.mark.parametrize("name", HOSTILE)
def test_a_tanks_name_changes_nothing_but_its_own_words(name: str) -> None:
    """RFC 5322, 2.2: a line break ends a header; none may come from a name."""
    letter = urgent_letter(a_tank(name=name), recommendation(), ANA, "", ())
    made = message_of(letter, sender="l@example.org", recipient=ANA, id="1", now=NOW)
    raw = made.as_bytes()
    read = message_from_bytes(raw, policy=default)
    usual = {"from", "to", "subject", "date", "message-id", "in-reply-to", "references"}
    usual |= {"auto-submitted", "importance", "mime-version", "content-type"}
    assert {one.lower() for one in read} == usual
    assert len(read.get_all("subject")) == 1 and read["Subject"].isprintable()
    found = read.get_body(("html",))
    assert found is not None and "<script>" not in found.get_content()
    assert max(map(len, raw.split(b"\r\n"))) <= 998  # RFC 5322, 2.1.1


def test_a_hostile_name_adds_no_recipient_at_a_real_server(post: Post) -> None:
    post.home.registry.put_tank(a_tank())
    with post.home.registry.session(writes="bookkeeping") as session:
        row = session.get_one(TankRow, "reed")
        row.name, row.document = HOSTILE[0], {**row.document, "name": HOSTILE[0]}
    received = a_digest(post)
    assert received.recipients == ["ana@example.org"]
    assert received.message["Bcc"] is None
    assert received.message["Subject"].startswith("Reed Bcc: eve@example.org: ")


def test_what_is_urgent_is_sent_at_once_and_once(post: Post) -> None:
    with MailReceiver() as receiver:
        email = post.made(receiver, ANA, BO, replace(BO, name="cy", urgent=False))
        post.later(email)
        post.found(Severity.URGENT, "heater")
        assert post.later(email) == 2
        assert post.later(email, minutes=1) == 0
        assert post.later(post.made(receiver, ANA, BO), minutes=1) == 0, "after a restart"
    one = receiver.received[0]
    assert one.message["Subject"] == "Urgent: Reed bed: Water is too warm"
    assert one.message["Importance"] == "high"
    assert "Open the lid. Call the tank keeper: Ira, 555 0100." in one.text()
    assert "Why\n---\n\n- as seen\n" in one.text()


def test_what_was_not_seen_last_waits_until_it_is_or_is_cleared(post: Post) -> None:
    with MailReceiver() as receiver:
        email = post.made(receiver, BO)
        post.later(email)
        post.found(Severity.URGENT, "heater")
        post.found(Severity.ADVICE, "lamp")
        assert post.later(email) == 1
        assert receiver.received == []
        post.found(Severity.URGENT, "heater")
        assert post.later(email, minutes=1) == 1
        assert len(receiver.received) == 1


def test_urgent_mail_that_is_late_is_left_out_when_it_is_over(post: Post) -> None:
    with MailReceiver() as receiver:
        pass  # the server is away
    email = post.made(receiver, BO)
    post.later(email)
    post.found(Severity.URGENT, "heater")
    assert post.later(email) == 1
    ledger = Ledger(post.home.registry)
    [one] = [one for one in ledger.list("reed") if one.finding.severity is Severity.URGENT]
    ledger.mark(one.id, State.DONE, now=post.home.clock.now())
    with MailReceiver(port=receiver.port) as receiver:
        post.machine.moment += HOUR
        assert email.deliver_due() == 1
    assert receiver.received == []
    assert [one.state for one in post.home.registry.deliveries()] == [DeliveryState.SKIPPED]


def test_a_server_that_was_away_gets_it_later_and_once(post: Post) -> None:
    with MailReceiver() as away:
        pass
    email = post.made(away)
    post.later(email)
    assert post.later(email, hours=20) == 1
    [failing] = post.home.registry.failing_deliveries()
    assert (failing.target, failing.last_error) == (
        "mail/ana", "the connection failed: Connection refused",
    )  # fmt: skip
    with MailReceiver(port=away.port) as receiver:
        later = post.made(receiver)  # after a restart
        assert later.deliver_due() == 0, "it waits"
        post.machine.moment += timedelta(seconds=10)
        assert later.deliver_due() == 1
    assert len(receiver.received) == 1
    assert post.home.registry.failing_deliveries() == []


def test_two_days_that_wait_become_one_mail(post: Post) -> None:
    with MailReceiver() as away:
        pass
    email = post.made(away)
    post.later(email)
    post.later(email, hours=20)
    post.later(email, days=1)
    with MailReceiver(port=away.port) as receiver:
        post.machine.moment += HOUR
        email.deliver_due()
        email.deliver_due()
    assert len(receiver.received) == 1


def test_a_refused_recipient_ends_and_the_others_get_theirs(post: Post) -> None:
    with MailReceiver(rcpt=["550 5.1.1 No such user", "250 OK"]) as receiver:
        email = post.made(receiver, ANA, replace(BO, digest=time(7, 30)))
        post.later(email)
        assert post.later(email, hours=20) == 2
        assert post.later(email, hours=2) == 0
        [dead] = post.home.registry.deliveries(states=[DeliveryState.DEAD])
        assert dead.target == "mail/ana"
        assert dead.last_error == "the recipient is refused: 550 5.1.1 No such user"
        assert [one.recipients for one in receiver.received] == [["bo@example.org"]]
        post.home.registry.redeliver(dead.id, post.machine.now())
        assert email.deliver_due() == 1
    assert receiver.received[-1].recipients == ["ana@example.org"]


def test_whoever_wants_no_mail_gets_none_until_they_do(post: Post) -> None:
    with MailReceiver() as receiver:
        email = post.made(receiver)
        post.later(email)
        post.home.registry.stop_target("mail/ana", NOW)
        post.later(email, hours=20)
        assert receiver.received == []
        post.home.registry.resume_target("mail/ana")
        post.later(email, days=1)
    assert len(receiver.received) == 1


def test_a_repetition_after_a_crash_has_the_same_message_id(post: Post) -> None:
    """The server took it, and the process died before it noted that."""
    with MailReceiver() as receiver:
        email = post.made(receiver)
        post.later(email)
        settle = post.home.registry.settle_delivered
        post.home.registry.settle_delivered = lambda *_: None  # type: ignore[method-assign]
        post.later(email, hours=20)
        post.home.registry.settle_delivered = settle  # type: ignore[method-assign]
        post.machine.moment += DAY
        assert post.made(receiver).deliver_due() == 1
    first, second = (one.message["Message-ID"] for one in receiver.received)
    assert first == second


def test_only_a_recipients_tanks_are_in_their_mail(post: Post) -> None:
    far = a_tank(id="sedge", name="Sedge", time_zone="Pacific/Auckland")
    post.home.registry.put_tank(far)
    with MailReceiver() as receiver:
        email = post.made(receiver, ANA, replace(BO, tanks=("sedge",), digest=time(7, 30)))
        post.later(email)
        for _ in range(4):
            post.later(email, hours=6)
    got = {
        (one.recipients[0], "Sedge" in one.text(), "Reed bed" in one.text())
        for one in receiver.received
    }
    assert got == {
        ("ana@example.org", True, False),
        ("ana@example.org", False, True),
        ("bo@example.org", True, False),
    }
    assert len(receiver.received) == 3
    threads = {one.message["References"] for one in receiver.received[:3]}
    assert len(threads) == 3, "one thread for each tank and recipient"


def test_a_sharing_link_opens_the_sheet_and_lasts_two_days(post: Post) -> None:
    text = a_digest(post, replace(ANA, share="read")).text()
    secret = text.partition("https://tanks.example.org/shared/")[2].split()[0]
    link = post.home.registry.share_of(secret, post.home.clock.now())
    assert link.tank == "reed"
    assert link.expires - post.home.clock.now() == 2 * DAY


def test_a_sharing_link_with_the_right_to_report_has_the_recipients_name(post: Post) -> None:
    text = a_digest(post, replace(ANA, share="report")).text()
    secret = text.partition("https://tanks.example.org/shared/")[2].split()[0]
    link = post.home.registry.share_of(secret, post.home.clock.now())
    assert (link.may_report, link.name) == (True, "ana")


def test_a_sharing_link_of_a_mail_that_failed_is_ended(post: Post) -> None:
    with MailReceiver() as away:
        pass
    email = post.made(away, replace(ANA, share="read"))
    post.later(email)
    post.later(email, hours=20)
    [link] = post.home.registry.shares()
    assert link.revoked is not None
