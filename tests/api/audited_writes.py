"""Every address that writes: a request, and the record that it has to leave."""

from __future__ import annotations

import json

from tests.api.scenes import TANK
from tests.pictures.samples import FORM, form_of, picture

WRITTEN = "Words that nobody else has written"
TRIM = {"kind": "trim", "note": WRITTEN}
AWAY = {"start": "2025-07-01T06:00:00Z", "end": "2025-07-21T18:00:00Z", "note": WRITTEN}
PROBE = {"sensor": "glass-1"}
BUFFERS = {"kind": "calibration", "id": "buffers", "data": {"quantity": "ph", "sensor": "none"}}
SHARE = {"tank": "riffle", "length": "P7D", "name": WRITTEN}
PACK = '[{"n": "ph", "u": "pH", "v": 6.81}]'
READING = {"quantity": "ph", "value": 6.8}
MARK = "recommendation"
API = {
    ("PUT", "/v1/tanks/<tank>"): (
        {"json": TANK | {"notes": WRITTEN, "altitude": {"value": 9, "unit": "m"}}},
        "tank.replaced",
        "tanks/riffle",
        ["altitude", "animals", "notes"],
    ),
    ("PATCH", "/v1/tanks/<tank>"): (
        {"json": {"notes": WRITTEN, "kh": None}},
        "tank.changed",
        "tanks/riffle",
        ["kh", "notes"],
    ),
    ("DELETE", "/v1/tanks/<tank>"): (
        {"query_string": {"readings": "delete"}},
        "tank.deleted",
        "tanks/riffle",
        ["readings"],
    ),
    ("POST", "/v1/tanks/<tank>/readings"): (
        {"json": READING},
        "readings.added",
        "tanks/riffle/readings",
        [],
    ),
    ("POST", "/v1/tanks/<tank>/readings/senml"): (
        {"data": PACK, "content_type": "application/senml+json"},
        "readings.added",
        "tanks/riffle/readings",
        [],
    ),
    ("POST", "/v1/tanks/<tank>/log"): (
        {"json": TRIM | {"id": "fresh"}},
        "log.added",
        "tanks/riffle/log/fresh",
        [],
    ),
    ("DELETE", "/v1/tanks/<tank>/log/<entry>"): ({}, "log.deleted", "tanks/riffle/log/visit", []),
    ("POST", "/v1/tanks/<tank>/log/<entry>/pictures"): (
        {"data": form_of(picture()), "content_type": FORM},
        "pictures.added",
        "tanks/riffle/log/visit",
        [],
    ),
    ("POST", "/v1/tanks/<tank>/pictures"): (
        {"data": form_of(picture(), entry=json.dumps(TRIM | {"id": "new"})), "content_type": FORM},
        "log.added",
        "tanks/riffle/log/new",
        [],
    ),
    ("DELETE", "/v1/tanks/<tank>/pictures/<picture>"): (
        {},
        "picture.deleted",
        "tanks/riffle/pictures/{picture}",
        [],
    ),
    ("DELETE", "/v1/tanks/<tank>/calibrations/<entry>"): (
        {},
        "log.deleted",
        "tanks/riffle/log/buffers",
        [],
    ),
    ("PUT", "/v1/absences"): ({"json": {"absences": [AWAY]}}, "absences.replaced", "absences", []),
    ("POST", "/v1/shares"): ({"json": SHARE}, "share.created", "tanks/riffle/shares/*", []),
    ("DELETE", "/v1/shares/<id>"): ({}, "share.revoked", "tanks/riffle/shares/{share}", []),
    ("POST", "/v1/routes"): (
        {"json": {"topic": "yard/box", "tank": "riffle", "quantity": "ph"}},
        "route.added",
        "routes/*",
        [],
    ),
    ("DELETE", "/v1/routes/<id>"): ({}, "route.deleted", "routes/{route}", []),
    ("POST", "/v1/tanks/<tank>/trials"): (
        {"json": {"question": WRITTEN, "watched": ["dli"]}},
        "trial.begun",
        "tanks/riffle/trials/*",
        [],
    ),
    ("PATCH", "/v1/tanks/<tank>/trials/<trial>"): (
        {"json": {"question": WRITTEN}},
        "trial.changed",
        "tanks/riffle/trials/{trial}",
        [],
    ),
    ("DELETE", "/v1/tanks/<tank>/trials/<trial>"): (
        {},
        "trial.deleted",
        "tanks/riffle/trials/{trial}",
        [],
    ),
    ("POST", "/v1/tanks/<tank>/trials/<trial>/judge"): (
        {},
        "trial.judged",
        "tanks/riffle/trials/{trial}",
        [],
    ),
    ("POST", "/v1/tanks/<tank>/trials/<trial>/end"): (
        {"json": {"reason": WRITTEN}},
        "trial.ended",
        "tanks/riffle/trials/{trial}",
        [],
    ),
    ("POST", "/v1/deliveries/<id>/redeliver"): (
        {},
        "delivery.resent",
        "deliveries/{delivery}",
        [],
    ),
    **{
        ("POST", f"/v1/recommendations/<id>/{deed}"): (
            {},
            f"{MARK}.{action}",
            "tanks/riffle/recommendations/{recommendation}",
            [],
        )
        for deed, action in (
            ("done", "done"),
            ("dismiss", "dismissed"),
            ("snooze", "snoozed"),
            ("open", "reopened"),
        )
    },
}

PAGES = {
    ("POST", "/tanks/new"): ({"name": "Fresh", "notes": WRITTEN}, "tank.created", "tanks/fresh"),
    ("POST", "/tanks/<tank>/settings"): (
        {"section": "contact", "notes": WRITTEN, "version": "{version}"},
        "tank.changed",
        "tanks/riffle",
    ),
    ("POST", "/tanks/<tank>/delete"): (
        {"name": TANK["name"], "version": "{version}"},
        "tank.deleted",
        "tanks/riffle",
    ),
    ("POST", "/absences"): (
        {"start": "2025-07-01", "end": "2025-07-21", "note": WRITTEN},
        "absences.replaced",
        "absences",
    ),
    ("POST", "/absences/<id>"): (
        {"start": "2025-07-01", "end": "2025-07-21", "note": WRITTEN, "shown": "{shown}"},
        "absences.replaced",
        "absences",
    ),
    ("POST", "/absences/<id>/end"): ({}, "absences.replaced", "absences"),
    ("POST", "/tanks/<tank>/log"): (TRIM, "log.added", "tanks/riffle/log/*"),
    ("POST", "/tanks/<tank>/pictures/<picture>/delete"): (
        {},
        "picture.deleted",
        "tanks/riffle/pictures/{picture}",
    ),
    ("POST", "/tanks/<tank>/recommendations/<id>"): (
        {"mark": "done"},
        f"{MARK}.done",
        "tanks/riffle/recommendations/{recommendation}",
    ),
    ("POST", "/tanks/<tank>/trials"): (
        {"question": WRITTEN, "watched": "dli", "look_again": "2025-06-18"},
        "trial.begun",
        "tanks/riffle/trials/*",
    ),
    ("POST", "/tanks/<tank>/trials/<trial>/end"): (
        {"what": "end", "reason": WRITTEN},
        "trial.ended",
        "tanks/riffle/trials/{trial}",
    ),
    ("POST", "/handover/links"): (
        {"tank": "riffle", "covers": "days:7", "name": WRITTEN},
        "share.created",
        "tanks/riffle/shares/*",
    ),
    ("POST", "/sensors/routes"): (
        {"topic": "yard/box", "tank": "riffle", "quantity": "ph"},
        "route.added",
        "routes/*",
    ),
    ("POST", "/sensors/routes/<id>/delete"): ({}, "route.deleted", "routes/{route}"),
    ("POST", "/tanks/<tank>/sensors/believed"): (
        {"quantity": "ph", "sensor": "glass-1"},
        "tank.changed",
        "tanks/riffle",
    ),
    ("POST", "/tanks/<tank>/sensors/calibrations/<entry>/undo"): (
        {},
        "log.deleted",
        "tanks/riffle/log/buffers",
    ),
    ("POST", "/tanks/<tank>/calibrate/begin"): (PROBE, "log.added", "tanks/riffle/log/*"),
    ("POST", "/tanks/<tank>/calibrate/save"): (
        PROBE | {"first": "7.05", "second": "4.10"},
        "log.added",
        "tanks/riffle/log/*",
    ),
    ("POST", "/tanks/<tank>/calibrate/back"): (PROBE, "log.added", "tanks/riffle/log/*"),
    ("POST", "/handover/links/<id>/end"): ({}, "share.revoked", "tanks/riffle/shares/{share}"),
}

ENTERED = [f"{MARK}.done"]
"""Actions that leave a log entry as well, which has a record of its own."""

BY_LINK = {
    ("POST", "/shared/<secret>/reports"),
    ("POST", "/shared/<secret>/pictures"),
    ("POST", "/shared/<secret>/report"),
}
"""Tried in resources/handover/test_link_reports.py: whoever has the link needs no token."""

LOGIN = {("POST", "/login"), ("POST", "/logout")}
MAIL = {
    ("POST", "/mail/recipients/<path:target>/stop"),
    ("POST", "/mail/recipients/<path:target>/resume"),
    ("POST", "/mail/recipients/<path:target>/test"),
    ("POST", "/mail/deliveries/<int:id>/again"),
    ("POST", "/mail/stop/<token>"),
    ("POST", "/mail/start/<token>"),
}
"""Need mail in the configuration: ``tests/pages/test_mail.py`` tries them."""
