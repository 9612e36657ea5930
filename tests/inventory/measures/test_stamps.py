"""Stamps: what is known and no more, and every doubt told."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from dateutil.parser import parse
from hypothesis import example, given
from hypothesis import strategies as st

from inventory.measures.stamps import Precision, Stamp, StampError, read_stamp

TODAY = date(2026, 11, 25)


@pytest.mark.parametrize(
    ("raw", "expected", "codes"),
    [
        pytest.param("2021-06-15", Stamp.of(2021, 6, 15), (), id="ISO 8601 calendar date"),
        pytest.param("20210615", Stamp.of(2021, 6, 15), (), id="ISO 8601 basic date"),
        pytest.param("2021-06", Stamp.of(2021, 6), (), id="ISO 8601 month"),
        pytest.param("2021-06-15T00:00:00", Stamp.of(2021, 6, 15), (), id="spreadsheet midnight"),
        pytest.param("2021-06-15T10:30:00Z", Stamp.of(2021, 6, 15), ("time_dropped",), id="time of day"),
        pytest.param("15/06/2021", Stamp.of(2021, 6, 15), (), id="only day first fits"),
        pytest.param("06/15/2021", Stamp.of(2021, 6, 15), (), id="only month first fits"),
        pytest.param("04.04.2021", Stamp.of(2021, 4, 4), (), id="both orders are the same day"),
        pytest.param("03/04/2021", Stamp.of(2021, 3), ("day_month_order",), id="earlier month is safe"),
        pytest.param("06/21", Stamp.of(2021, 6), ("two_digit_year",), id="month and short year"),
        pytest.param("03/97", Stamp.of(1997, 3), ("two_digit_year",), id="last century"),
        pytest.param("6-2021", Stamp.of(2021, 6), (), id="month and year"),
        pytest.param("JUN-2021", Stamp.of(2021, 6), (), id="month name"),
        pytest.param("June 2021", Stamp.of(2021, 6), (), id="full month name"),
        pytest.param("Sept. 2021", Stamp.of(2021, 9), (), id="abbreviated with a full stop"),
        pytest.param("15 Jun 2021", Stamp.of(2021, 6, 15), (), id="day and month name"),
        pytest.param("June 15th, 2021", Stamp.of(2021, 6, 15), (), id="month name first"),
        pytest.param("Q2 2019", Stamp.quarter(2019, 2), (), id="quarter"),
        pytest.param("2019-Q2", Stamp.quarter(2019, 2), (), id="quarter last"),
        pytest.param("2Q19", Stamp.quarter(2019, 2), ("two_digit_year",), id="short quarter"),
        pytest.param("1997", Stamp.of(1997), (), id="year"),
        pytest.param("'97", Stamp.of(1997), ("two_digit_year",), id="short year"),
        pytest.param("\u201997", Stamp.of(1997), ("two_digit_year",), id="typographic apostrophe"),
        # Month, tester, year: 49 CFR 180.213(d), from memory.
        pytest.param("03 A123 97", Stamp.of(1997, 3), ("two_digit_year",), id="month, tester, year"),
        pytest.param("03 A123 97 S", Stamp.of(1997, 3), ("two_digit_year",), id="mark of a proof test"),
        pytest.param("44362", Stamp.of(2021, 6, 15), ("spreadsheet_serial",), id="spreadsheet day number"),
        pytest.param("202106", Stamp.of(2021, 6), ("no_separator",), id="year and month unseparated"),
        pytest.param(" 2021-06 ", Stamp.of(2021, 6), (), id="spaces around"),
        pytest.param("\uff12\uff10\uff12\uff11-06", Stamp.of(2021, 6), (), id="full-width digits"),
        pytest.param("2021\u201306", Stamp.of(2021, 6), (), id="en dash"),
    ],
)
def test_forms_of_the_trade(raw: str, expected: Stamp, codes: tuple[str, ...]) -> None:
    reading = read_stamp(raw, today=TODAY)
    assert (reading.stamp, reading.codes, len(reading.doubts)) == (expected, codes, len(codes))
    assert reading.stamp.precision is expected.precision
    assert reading.stamp.raw == " ".join(raw.split())


@pytest.mark.parametrize(
    "raw", ["", "  ", "?", "??", "-", "n/a", "N/A", "unknown", "Not readable", "painted over"]
)
def test_what_cannot_be_read_is_unknown(raw: str) -> None:
    stamp = read_stamp(raw, today=TODAY).stamp
    assert (stamp.is_known, stamp.first, stamp.last, stamp.raw) == (False, None, None, raw.strip())


@pytest.mark.parametrize(
    ("raw", "code", "says"),
    [
        pytest.param("31/02/2019", "impossible", "February 2019 has 28 days", id="31 February"),
        pytest.param("29/02/97", "impossible", "February 1997 has 28 days", id="no leap year"),
        pytest.param("2019-13", "impossible", "no month 13", id="month 13"),
        pytest.param("13/13/2020", "impossible", "no month from 1 to 12", id="two days"),
        pytest.param("Q5 2019", "impossible", "no quarter 5", id="quarter 5"),
        pytest.param("0000-05", "impossible", "no year 0", id="year 0"),
        pytest.param("2026-11-26", "future", "after 2026-11-25", id="tomorrow"),
        pytest.param("2026-12", "future", "2026-12", id="next month"),
        pytest.param("12/26", "future", "2026-12", id="next month, short year"),
        pytest.param("'27", "future", "2027", id="next year"),
        pytest.param("1896", "too_early", "before 1900", id="slip of the pen"),
        pytest.param("tomorrow", "unreadable", "is not a date", id="a word"),
        pytest.param("99999", "unreadable", "is not a date", id="a number that is no day"),
        pytest.param("2019/2020", "unreadable", "is not a date", id="two years"),
        pytest.param("9" * 5000, "unreadable", "is not a date", id="very long"),
    ],
)
def test_what_cannot_be_true_is_refused(raw: str, code: str, says: str) -> None:
    with pytest.raises(StampError) as refused:
        read_stamp(raw, today=TODAY)
    assert (refused.value.code, says in refused.value.sentence) == (code, True)


def test_this_month_and_this_year_are_not_the_future() -> None:
    assert read_stamp("11/26", today=TODAY).stamp == Stamp.of(2026, 11)
    assert read_stamp("2026", today=TODAY).stamp == Stamp.of(2026)


@pytest.mark.parametrize(
    ("day_first", "expected", "codes"),
    [
        pytest.param(True, Stamp.of(2021, 4, 3), (), id="day first"),
        pytest.param(False, Stamp.of(2021, 3, 4), (), id="month first"),
    ],
)
def test_order_of_the_file_settles_a_date(day_first: bool, expected: Stamp, codes: tuple[str, ...]) -> None:
    reading = read_stamp("03/04/2021", today=TODAY, day_first=day_first)
    assert (reading.stamp, reading.codes) == (expected, codes)


def test_a_date_against_the_order_of_the_file_is_doubted() -> None:
    reading = read_stamp("06/15/2021", today=TODAY, day_first=True)
    assert (reading.stamp, reading.codes) == (Stamp.of(2021, 6, 15), ("order_contradicts",))


def test_bounds_settle_an_ambiguous_order() -> None:
    reading = read_stamp("03/12/2026", today=TODAY)
    assert (reading.stamp, reading.codes) == (Stamp.of(2026, 3, 12), ("day_month_order",))
    reading = read_stamp("02/10/2026", today=TODAY, not_before=date(2026, 6, 1))
    assert (reading.stamp, reading.codes) == (Stamp.of(2026, 10, 2), ("day_month_order",))


def test_two_digit_year_with_two_readings_asks() -> None:
    reading = read_stamp("06/21", today=TODAY, not_before=date(1900, 1, 1))
    assert (reading.stamp.is_known, reading.codes) == (False, ("two_digit_year_open",))
    assert "1921-06 or 2021-06" in reading.doubts[0]


def test_a_date_before_its_bound_is_refused() -> None:
    for raw in ("2009", "12/09", "2009-12-31", "'97"):
        with pytest.raises(StampError) as refused:
            read_stamp(raw, today=TODAY, not_before=date(2010, 1, 1))
        assert refused.value.code == "before_bound"
    # The bound's own day, month and year are not before it.
    for day in ("2010-06-15", "2010-06"):
        assert read_stamp(day, today=TODAY, not_before=date(2010, 6, 15)).stamp.is_known
    assert read_stamp("2010", today=TODAY, not_before=date(2010, 6, 1)).stamp == Stamp.of(2010)


@pytest.mark.parametrize(
    ("stamp", "text"),
    [
        (Stamp.of(2021, 6, 15), "2021-06-15"),
        (Stamp.of(2021, 6), "2021-06"),
        (Stamp.quarter(2019, 2), "Q2 2019"),
        (Stamp.of(2019), "2019"),
        (Stamp.unknown("?"), "unknown"),
    ],
)
def test_text_and_storage_round_trip(stamp: Stamp, text: str) -> None:
    assert str(stamp) == text
    assert Stamp.from_stored(stamp.first, stamp.last, stamp.precision.value, stamp.raw) == stamp
    assert read_stamp(text, today=TODAY).stamp == stamp


def test_nonsense_is_refused_when_built() -> None:
    for first, last, precision in (
        (date(2021, 6, 2), date(2021, 6, 30), Precision.MONTH),
        (date(2021, 6, 1), date(2021, 6, 2), Precision.DAY),
        (date(2021, 1, 1), None, Precision.YEAR),
        (None, None, Precision.DAY),
        (date(2021, 1, 1), date(2021, 1, 1), Precision.UNKNOWN),
    ):
        with pytest.raises(ValueError, match=r"stamp|not one"):
            Stamp(first, last, precision)
    with pytest.raises(ValueError, match="needs a month"):
        Stamp.of(2021, None, 5)
    with pytest.raises(ValueError, match="no quarter 5"):
        Stamp.quarter(2021, 5)
    with pytest.raises(ValueError, match="needs a first and a last day"):
        Stamp.from_stored(None, None, "month")


DATE_CHARACTERS = st.text(alphabet="0123456789-/. 'QqAaJUNjunMayS,:TZ\u2019", max_size=14)


@given(
    raw=st.one_of(st.text(max_size=40), DATE_CHARACTERS),
    day_first=st.sampled_from([None, True, False]),
    not_before=st.none() | st.dates(date(1900, 1, 1), TODAY),
)
@example(raw="'0000", day_first=None, not_before=None)
@example(raw="0/0/0", day_first=None, not_before=None)
@example(raw="29/02/00", day_first=None, not_before=None)
def test_any_text_is_read_or_refused(raw: str, day_first: bool | None, not_before: date | None) -> None:
    """Never another exception, never a date outside the bounds, never a refusal without a remedy."""
    try:
        reading = read_stamp(raw, today=TODAY, not_before=not_before, day_first=day_first)
    except StampError as refused:
        says_what_to_do = "Correct" in refused.sentence or "Write" in refused.sentence
        assert says_what_to_do, refused.sentence  # noqa: PT017 - the other branch is just as good
        return
    assert len(reading.doubts) == len(reading.codes)
    if reading.stamp.first is not None and reading.stamp.last is not None:
        assert reading.stamp.first <= TODAY
        assert not_before is None or reading.stamp.last >= not_before


@given(day=st.dates(date(1950, 1, 1), TODAY), blur=st.sampled_from(list(Precision)))
def test_blurring_never_moves_the_first_day_later(day: date, blur: Precision) -> None:
    text = {
        Precision.DAY: day.isoformat(),
        Precision.MONTH: f"{day:%m/%Y}",
        Precision.QUARTER: f"Q{(day.month + 2) // 3} {day.year}",
        Precision.YEAR: f"{day.year}",
        Precision.UNKNOWN: "?",
    }[blur]
    stamp = read_stamp(text, today=TODAY).stamp
    assert stamp.precision is blur
    if stamp.first is not None and stamp.last is not None:
        assert stamp.first <= day <= stamp.last


@given(day=st.dates(date(1950, 1, 1), TODAY))
def test_an_ambiguous_date_is_never_counted_later_than_either_reading(day: date) -> None:
    stamp = read_stamp(f"{day:%d/%m/%Y}", today=TODAY).stamp
    assert stamp.first is not None
    assert stamp.first <= day


@given(day=st.dates(date(1950, 1, 1), TODAY))
def test_a_short_year_finds_its_century(day: date) -> None:
    assert read_stamp(f"{day:%m/%y}", today=TODAY).stamp == Stamp.of(day.year, day.month)


@pytest.mark.parametrize(
    ("text", "reads", "codes"),
    [
        # ISO 8601-1:2019, by clause (numbers of the clauses from memory).
        pytest.param("2021-06-15", "2021-06-15", (), id="5.2.2 calendar date, extended"),
        pytest.param("20210615", "2021-06-15", (), id="5.2.2 calendar date, basic"),
        pytest.param("2021-06", "2021-06", (), id="5.2.2.3 month"),
        pytest.param("2021", "2021", (), id="5.2.2.3 year"),
        pytest.param("2021-166", "2021-06-15", (), id="5.2.3 ordinal date, extended"),
        pytest.param("2021166", "2021-06-15", ("ordinal_day",), id="5.2.3 ordinal date, basic"),
        pytest.param("2019-W23-4", "2019-06-06", (), id="5.2.4 week date, extended"),
        pytest.param("2019W234", "2019-06-06", (), id="5.2.4 week date, basic"),
        pytest.param("2019-W23", "2019-06", ("week",), id="5.2.4 week"),
        pytest.param("2021-06-15T10:30:00.5+02:00", "2021-06-15", ("time_dropped",), id="5.4 date and time"),
        pytest.param("20210615T103000Z", "2021-06-15", ("time_dropped",), id="5.4 basic date and time"),
        pytest.param("2021-06-15T00:00:00", "2021-06-15", (), id="5.4 midnight"),
        pytest.param("2021-06-01/2021-06-30", "2021-06-01", ("span",), id="5.5 interval"),
        # Names in the languages of the registers.
        pytest.param("15. März 2021", "2021-03-15", (), id="German"),
        pytest.param("le 1er août 2019", "2019-08-01", (), id="French"),
        pytest.param("15 de junio de 2021", "2021-06-15", (), id="Spanish"),
        pytest.param("giugno 2021", "2021-06", (), id="Italian"),
        pytest.param("outubro/2019", "2019-10", (), id="Portuguese"),
        pytest.param("3 mei 2020", "2020-05-03", (), id="Dutch"),
        # Weeks, parts of years, spans.
        pytest.param("week 1 2019", "2018-12", ("week",), id="a week that begins in the year before"),
        pytest.param("23/19 KW", "2019-06", ("two_digit_year", "week"), id="calendar week"),
        pytest.param("2. Quartal 2019", "Q2 2019", (), id="quarter"),
        pytest.param("H2 2019", "2019", ("part_of_year",), id="half-year"),
        pytest.param("Herbst 2018", "2018", ("part_of_year",), id="season"),
        pytest.param("06/2019 - 08/2019", "2019-06", ("span",), id="span of months"),
        pytest.param("2019-2020", "2019", ("span",), id="span of years"),
        # What tells less than a date.
        pytest.param("3-A123-97", "1997-03", ("two_digit_year",), id="tester mark with hyphens"),
        pytest.param("ca. 2015", "2015", ("approximate",), id="about"),
        pytest.param("06/2015 ?", "2015-06", ("uncertain",), id="marked as uncertain"),
        pytest.param("HT 06/2015", "2015-06", ("words_beside",), id="words beside"),
        pytest.param("before 2015", "unknown", ("bound_only",), id="a bound is no date"),
        pytest.param("1900-01-00", "unknown", ("zero_day",), id="zero of a spreadsheet"),
        pytest.param("30/12/1899", "unknown", ("zero_day",), id="zero of another"),
    ],
)
def test_more_forms(text: str, reads: str, codes: tuple[str, ...]) -> None:
    reading = read_stamp(text, today=TODAY)
    assert (str(reading.stamp), reading.codes) == (reads, codes)
    assert reading.stamp.raw == text


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("due 06/2027", "promise"),
        ("2019-W54", "impossible"),
        ("2019-W23-8", "impossible"),
        ("2021-366", "impossible"),
        ("2107", "future"),
        ("+012021-06-15", "unreadable"),
        ("June 2021 to June 2019", "unreadable"),
    ],
)
def test_more_that_is_no_date(text: str, code: str) -> None:
    with pytest.raises(StampError) as refused:
        read_stamp(text, today=TODAY)
    assert refused.value.code == code


def test_days_agree_with_another_reader() -> None:
    """Witness: python-dateutil, for days that can only be read one way."""
    for number in range(0, 20_000, 331):
        day = date(1970, 1, 2) + timedelta(days=number)
        for form in ("%Y-%m-%d", "%d %B %Y", "%B %d, %Y", "%Y%m%d", "%d-%b-%Y"):
            text = day.strftime(form)
            assert read_stamp(text, today=TODAY).stamp.first == parse(text).date() == day
