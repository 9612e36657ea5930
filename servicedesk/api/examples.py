"""Examples of calls, as the OpenAPI document shows them. Names and figures are made up."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample

_SITE = "5e0c9a52-6f1e-4a57-9d8e-0a3f2f6f6c11"
_TECHNICIAN = "0b7b2f9e-2b1c-4c38-8d53-6a5d0c8f4e21"
_UNIT = "c2a4a1de-93f6-4f0b-8a4c-7d1f9b0e5a33"
_OTHER_UNIT = "9f7f1c04-0f5b-4f6e-bb0e-3c0c6d0a7b45"

_SERVICED: dict[str, Any] = {
    "client_ref": "3f8a1f52-7f43-4c9b-9a53-1d2b7e6c8f01",
    "unit": _UNIT,
    "result": "serviced",
    "tasks": ["maintenance"],
    "readings": [
        {"quantity": "gauge_pressure", "value": "195", "unit": "psi"},
        {"quantity": "ambient_temperature", "value": "21", "unit": "°C"},
    ],
    "device_at": "2026-11-25T15:04:10Z",
}
_BLOCKED: dict[str, Any] = {
    "client_ref": "7c1d2e93-5b6a-4a0e-8f2d-4e9a0b1c2d03",
    "unit": _OTHER_UNIT,
    "result": "no_access",
    "remarks": "Behind a locked gate, nobody had the key.",
}

PROPOSE = [
    OpenApiExample(
        "A visit for what falls due in three months",
        value={"site": _SITE, "horizon_days": 92},
        request_only=True,
    ),
]
ASSIGN = [
    OpenApiExample(
        "Give the visit to a technician",
        value={"technician": _TECHNICIAN, "planned_on": "2026-12-03", "version": 1},
        request_only=True,
    ),
]
CONFIRM = [OpenApiExample("Confirm what you looked at", value={"version": 2}, request_only=True)]
ENTRIES = [
    OpenApiExample("One unit", value=_SERVICED, request_only=True),
    OpenApiExample("Several units", value=[_SERVICED, _BLOCKED], request_only=True),
]
CLOSE = [
    OpenApiExample(
        "Close with two units on the list",
        value={
            "counts": {
                "serviced": 1,
                "failed": 0,
                "replaced": 0,
                "removed": 0,
                "not_found": 0,
                "no_access": 1,
            },
            "done_on": "2026-11-25",
            "contact_name": "Dana Oakes",
        },
        request_only=True,
    ),
]
_DEVICE = "b1f5d1c2-0f3e-4c4e-9a54-2f6f3b1d7a10"
_VISIT = "7c9c5a35-43f2-4b0b-8a44-8d4a0c7a1f11"
ACTS = [
    OpenApiExample(
        "A unit serviced, and a place that is blocked",
        value={
            "device": {"id": _DEVICE, "app_version": "1"},
            "sent_at": "2026-11-25T10:31:00Z",
            "acts": [
                {
                    "id": "0d0f3a36-8e52-4d0a-b8a2-52a7b1f1c001",
                    "visit": _VISIT,
                    "kind": "result",
                    "seq": 17,
                    "device_at": "2026-11-25T09:12:40Z",
                    "unit": "1d2c3b4a-5e6f-4a1b-8c2d-3e4f5a6b7c8d",
                    "scan": {"by": "camera", "read": "U-000123"},
                    "content": {
                        "outcome": "serviced",
                        "tasks": ["maintenance"],
                        "checks": [{"code": "care.shell", "answer": "pass"}],
                        "readings": [{"quantity": "gauge_pressure", "value": "195", "unit": "psi"}],
                    },
                },
                {
                    "id": "0d0f3a36-8e52-4d0a-b8a2-52a7b1f1c002",
                    "visit": _VISIT,
                    "kind": "location_problem",
                    "seq": 18,
                    "device_at": "2026-11-25T09:13:05Z",
                    "location": "2e3d4c5b-6f70-4b2c-9d3e-4f5a6b7c8d9e",
                    "content": {
                        "id": "0d0f3a36-8e52-4d0a-b8a2-52a7b1f1c003",
                        "code": "blocked",
                        "remarks": "Pallets in front of it.",
                    },
                },
            ],
        },
        request_only=True,
    ),
]
