"""Days and instants that a call may name: those for which date arithmetic stays inside the calendar."""

from __future__ import annotations

from datetime import UTC, date, datetime

from django.core.validators import MaxValueValidator, MinValueValidator

# Far enough for any plan.
LAST_DAY = MaxValueValidator(date(2199, 12, 31), "Choose a day in this or the next century.")
FIRST_DAY = MinValueValidator(date(1970, 1, 1), "Choose a day from 1970 on.")

# A phone whose battery was empty may believe it is 1970: that is put right by when it sends. What lies
# outside is no clock that runs.
_NO_CLOCK = "No clock shows this. Set the date and time of the device right and record it again."
CLOCK = (
    MinValueValidator(datetime(1970, 1, 1, tzinfo=UTC), _NO_CLOCK),
    MaxValueValidator(datetime(2199, 12, 31, 23, 59, 59, tzinfo=UTC), _NO_CLOCK),
)
