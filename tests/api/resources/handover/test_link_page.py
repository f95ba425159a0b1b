"""The page of a link that takes reports, without script: emergencies first, forms, files."""

from __future__ import annotations

import json
import logging
import re
from dataclasses import replace
from datetime import timedelta
from html import unescape

from service.advice.handover.glossary import GLOSSARY, words_in
from service.api.context import install
from service.api.resources.handover import reporting
from service.clock import FixedClock
from tests.api.conftest import NOW
from tests.api.resources.handover.reporting import entries, later, linked
from tests.api.test_handover import away  # noqa: F401 - a fixture used here too

HTML = {"Accept": "text/html,*/*;q=0.8"}
TRADE_WORDS = (
    *("air stone", "buffer", "calibrat", "chlorine", "CO2", "cylinder", "regulator"),
    *("needle valve", "copper", "dose", "fertiliser", "filter", "outlet", "media", "GH", "KH"),
    *("dKH", "dGH", "local codes", "licensed", "mains", "mg/L", "pH", "probe", "sensor", "reagent"),
    *("reverse-osmosis", "siphon", "solenoid", "substrate", "tank keeper", "trim"),
    *("water conditioner",),
)
"""What a stand-in cannot be expected to know. Our choice, no source."""


def page_of(client, path, status=200):
    answer = client.get(path, headers=HTML)
    assert answer.status_code == status, answer.text
    return answer


def forms(text):
    """The hidden members of each form, by the title of what it reports."""
    found = {}
    for title, body in re.findall(
        r'<form method="post"[^>]* class="report"[^>]*data-title="([^"]*)">(.*?)</form>', text, re.S
    ):
        hidden = re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', body)
        number = re.findall(r'name="number"[^>]* value="([^"]*)"', body)
        given = dict(hidden) | ({"number": number[0]} if number else {})
        found.setdefault(unescape(title), given)
    return found


def test_emergencies_come_first_and_nothing_leads_further(away):  # noqa: F811
    path = linked(away)
    answer = page_of(away, path)
    text = answer.text
    order = [text.index(f">{words}<") for words in ("In an emergency", "Leave alone")]
    assert order[0] < text.index("Today, Wed 4 Jun") < text.index("Tomorrow, Thu 5 Jun") < order[1]
    assert "Sheet for Ada, made" in text
    secret = path.rpartition("/")[2]
    for address in re.findall(r'(?:href|src|action|data-worker)="([^"#]+)"', text):
        assert address.startswith((f"/shared/{secret}", "/pages/static/")), address
    titles = list(forms(text))
    assert titles[0] == "Look at the tank" and titles[-1] == "note"
    assert "Change 60 L (50 %)" in titles


def test_a_form_without_script_reports_once(away):  # noqa: F811
    path = linked(away)
    given = forms(page_of(away, path).text)["Change 60 L (50 %)"]
    assert given["number"] == "60"
    answer = away.post(f"{path}/report", data=given | {"number": "30,5", "note": "murky"})
    assert (answer.status_code, answer.location) == (303, f"{path}#reported")
    text = page_of(away, path).text
    assert "Reported: Change 60 L (50 %)." in text
    reported = text[text.index('id="reported-list"') :]
    assert "Change 60 L (50 %)" in reported[: reported.index("</ul>")]
    entry, _ = entries(away)
    assert (entry["by"], entry["note"]) == ("Ada", "murky")
    assert abs(entry["data"]["volume"]["value"] - 30.5) < 1e-9
    away.post(f"{path}/report", data=given | {"number": "30,5"})
    assert "This had been reported: Change 60 L (50 %)." in page_of(away, path).text
    assert len(entries(away)) == 2


def test_what_is_wrong_is_said_beside_the_field_with_what_was_written(away):  # noqa: F811
    path = linked(away)
    given = forms(page_of(away, path).text)["Change 60 L (50 %)"]
    for number, said in (
        ("a bucket", "Water changed, L is 'a bucket'; allowed: a number"),
        ("500", "Water changed, L is 500.0; allowed: up to the net volume"),
        ("-3", "Water changed, L is '-3 L'; allowed: above 0"),
    ):
        more = {"number": number, "note": "some <b>words</b>"}
        answer = away.post(f"{path}/report", data=given | more)
        text = unescape(answer.text)
        assert answer.status_code == 422
        assert f'value="{number}"' in text and "some <b>words</b></textarea>" in text
        assert "<b>words" not in answer.text
        assert said in text
        assert 'aria-invalid="true"' in text
    empty = away.post(f"{path}/report", data=forms(page_of(away, path).text)["note"])
    assert (empty.status_code, "The note is missing" in empty.text) == (422, True)
    assert len(entries(away)) == 1


def test_forms_from_elsewhere_are_refused(away, app):  # noqa: F811
    path = linked(away)
    given = forms(page_of(away, path).text)["Look at the tank"]
    stranger = app.test_client()
    assert stranger.post(f"{path}/report", data=given).status_code == 403
    without = {name: value for name, value in given.items() if name != "csrf_token"}
    assert away.post(f"{path}/report", data=without).status_code == 403
    crossing = {"Origin": "https://attacker.example"}
    assert away.post(f"{path}/report", data=given, headers=crossing).status_code == 403
    forged = given | {"task": "look"}
    assert away.post(f"{path}/report", data=forged).status_code == 422
    assert away.post(f"{path}x/report", data=given).status_code == 404
    assert away.post(f"{path}/report", data={}).status_code == 403
    assert len(entries(away)) == 1
    assert away.post(f"{path}/report", data=given).status_code == 303


def test_manifest_and_worker_are_of_this_link_alone(away):  # noqa: F811
    """Members and types as in the W3C's Web Application Manifest and Service Workers."""
    path = linked(away)
    page = page_of(away, path)
    assert f'<link rel="manifest" href="{path}/app.webmanifest">' in page.text
    policy = page.headers["Content-Security-Policy"]
    assert "manifest-src 'self'" in policy and "worker-src 'self'" in policy
    assert "default-src 'none'" in policy and "unsafe" not in policy
    assert page.headers["Sunset"] == "Wed, 18 Jun 2025 12:00:00 GMT"
    assert page.headers["X-Robots-Tag"] == "noindex"
    manifest = away.get(f"{path}/app.webmanifest")
    assert manifest.mimetype == "application/manifest+json"
    body = json.loads(manifest.text)
    assert {body["id"], body["scope"], body["start_url"]} == {path}
    assert body["display"] == "standalone" and body["name"]
    assert {one["sizes"] for one in body["icons"]} == {"192x192", "512x512"}
    for icon in body["icons"]:
        image = away.get(icon["src"]).data
        side = int(icon["sizes"].partition("x")[0])
        assert image[:8] == b"\x89PNG\r\n\x1a\n" and image[16:24] == 2 * side.to_bytes(4, "big")
    worker = away.get(f"{path}/worker.js")
    assert worker.mimetype == "text/javascript"
    assert worker.headers["Service-Worker-Allowed"] == path
    kept = json.loads(re.match(r"const LINK = Object.freeze\((.*)\);", worker.text)[1])
    assert kept["page"] == path
    for address in kept["files"]:
        assert away.get(address).status_code == 200, address
        assert address.startswith("/pages/static/")
    for address in re.findall(r'(?:href|src)="(/pages/static/[^"]+)"', page.text):
        assert address in kept["files"], address


def test_a_link_that_only_shows_has_neither(away):  # noqa: F811
    path = linked(away, may_report=False)
    assert "manifest" not in page_of(away, path).text
    for name in ("app.webmanifest", "worker.js"):
        assert away.get(f"{path}/{name}").status_code == 403
        assert away.get(f"/shared/x/{name}").status_code == 404
    answer = away.post(f"{path}/report", data={})
    assert answer.status_code == 403 and "takes no reports" in answer.text


def test_after_the_end_the_page_says_so_and_shows_what_was_kept(away, app, context):  # noqa: F811
    path = linked(away)
    given = forms(page_of(away, path).text)["Look at the tank"]
    later(app, context, days=14)
    page = page_of(away, path, 410)
    assert "this link expired on" in page.text and "shared/round.js" in page.text
    assert 'id="kept"' in page.text and "<form" not in page.text
    assert away.post(f"{path}/report", data=given).status_code == 410
    for name in ("app.webmanifest", "worker.js"):
        assert away.get(f"{path}/{name}").status_code == 410
    assert len(entries(away)) == 1


def test_no_word_of_the_trade_is_left_unexplained(away, app, context):  # noqa: F811
    """On a sheet of 40 days, which asks for all work that a stand-in may do."""
    path = linked(away, length="P40D")
    for days in (0, 30):
        install(app, replace(context, clock=FixedClock(NOW + timedelta(days=days))))
        text = unescape(re.sub(r"<svg.*?</svg>|<[^>]+>", " ", page_of(away, path).text, flags=re.S))
        shown, _, explained = text.partition("Words on this page")
        used = [word for word in TRADE_WORDS if re.search(rf"(?<![A-Za-z]){word}", shown)]
        assert len(used) > 10
        terms = {one.term for one in words_in([shown])}
        assert terms, "something to explain"
        for word in used:
            known = [one for one in GLOSSARY if re.search(rf"(?<!\w)({one.pattern})", word)]
            assert any(one.sentence in explained for one in known), word


def test_no_log_keeps_a_secret(away, app, monkeypatch, caplog):  # noqa: F811
    """Not even of a defect of ours; of each address that has one."""
    path = linked(away)
    given = forms(page_of(away, path).text)["Look at the tank"]

    def broken(*_):
        raise RuntimeError("a defect")

    monkeypatch.setattr(reporting, "refuse_other_sites", broken)
    with caplog.at_level(logging.DEBUG):
        assert away.post(f"{path}/report", data=given).status_code == 500
        for name in ("app.webmanifest", "worker.js", "tasks", "reports"):
            assert away.get(f"{path}/{name}").status_code == 500
    assert caplog.text.count("/shared/<secret>/") == 5
    assert path.split("_", 2)[2] not in caplog.text
