"""Dates as recorders of several languages write them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.capture.asc_date import parse_date_ns

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# Short forms as operating systems write them (from memory); the order is the calendar's.
ENGLISH = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
GERMAN = ["Jan", "Feb", "Mär", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez"]
FRENCH = ["janv.", "févr.", "mars", "avr.", "mai", "juin", "juil.", "août", "sept.", "oct.", "nov.", "déc."]
WEEKDAYS = {
    "en": ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"],
    "de": ["Mon", "Die", "Mit", "Don", "Fre", "Sam", "Son"],
    "fr": ["lun.", "mar.", "mer.", "jeu.", "ven.", "sam.", "dim."],
}
MONTHS = {"en": ENGLISH, "de": GERMAN, "fr": FRENCH}


def ns(*parts: int, fraction: int = 0) -> int:
    moment = datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type]
    return (moment - EPOCH) // timedelta(microseconds=1) * 1000 + fraction


class TestParseDate:
    """A written date becomes nanoseconds since 1970, never shifted by a zone."""

    @pytest.mark.parametrize(
        ("text", "expected"),
        [
            ("Sat Sep 30 15:06:13.191 2017", ns(2017, 9, 30, 15, 6, 13, fraction=191_000_000)),
            ("Sat Sep 30 15:06:13 2017", ns(2017, 9, 30, 15, 6, 13)),
            ("Sat Sep 30 15:06:13.000123 2017", ns(2017, 9, 30, 15, 6, 13, fraction=123_000)),
            ("Sat Sep 30 15:06:13,191 2017", ns(2017, 9, 30, 15, 6, 13, fraction=191_000_000)),
            ("Wed Apr 9 10:23:49 am 2003", ns(2003, 4, 9, 10, 23, 49)),
            ("Wed Apr 9 10:23:49 PM 2003", ns(2003, 4, 9, 22, 23, 49)),
            ("Wed Apr 9 10:23:49 p.m. 2003", ns(2003, 4, 9, 22, 23, 49)),
            ("Wed Apr 9 12:00:01 am 2003", ns(2003, 4, 9, 0, 0, 1)),
            ("Wed Apr 9 12:00:01 pm 2003", ns(2003, 4, 9, 12, 0, 1)),
            ("Wed Apr 9 22:23:49.000 pm 2003", ns(2003, 4, 9, 22, 23, 49)),
            ("Mit Mär 5 09:00:00 2025", ns(2025, 3, 5, 9)),
            ("Die Mai 6 09:00:00.250 2025", ns(2025, 5, 6, 9, fraction=250_000_000)),
            ("mar. sept. 30 09:00:00 2025", ns(2025, 9, 30, 9)),
            ("mar. mars 4 09:00:00 2025", ns(2025, 3, 4, 9)),
            ("jeu. 5 déc. 2024 09:00:00", ns(2024, 12, 5, 9)),
            ("Thu Feb 29 00:00:00 2024", ns(2024, 2, 29)),
            ("Thu Jan 1 00:00:00 1970", 0),
            ("Sat Dec 31 23:59:59.999 2095", ns(2095, 12, 31, 23, 59, 59, fraction=999_000_000)),
        ],
    )
    def test_row(self, text: str, expected: int) -> None:
        assert parse_date_ns(text.encode()) == expected

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "Sat Sep 30 2017",
            "Sat Xyz 30 15:06:13 2017",
            "Sat Feb 30 15:06:13 2017",
            "Sat Sep 30 25:06:13 2017",
            "Sat Sep 30 15:06:13 am 2017",
            "Sat Sep 30 15:06:13",
            "09/30/2017 15:06:13",
            "Sat Sep 30 15:06:13 15:06:14 2017",
            "Sat Sep 30 15:06:60 2017",
            "Tue Dec 31 23:59:59 1968",
            "Sun Jan 1 00:00:00 2096",
            "Sun Jan 1 00:00:00 9999",
        ],
    )
    def test_no_date_is_none(self, text: str) -> None:
        assert parse_date_ns(text.encode()) is None

    @pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
    @pytest.mark.parametrize("language", sorted(MONTHS))
    @pytest.mark.parametrize("month", range(1, 13))
    def test_every_month_of_every_language_in_both_encodings(self, language: str, month: int, encoding: str) -> None:
        text = f"{MONTHS[language][month - 1]} 7 08:09:10 2021".encode(encoding)
        assert parse_date_ns(text) == ns(2021, month, 7, 8, 9, 10)

    @given(
        moment=st.datetimes(min_value=datetime(1970, 1, 1), max_value=datetime(2095, 12, 31)),  # noqa: DTZ001
        language=st.sampled_from(sorted(MONTHS)),
        digits=st.sampled_from([0, 3, 6]),
        half_day=st.booleans(),
    )
    def test_any_moment_comes_back(self, moment: datetime, language: str, digits: int, half_day: bool) -> None:
        step = timedelta(microseconds=10 ** (6 - digits))
        moment = moment.replace(tzinfo=UTC)
        moment = EPOCH + (moment - EPOCH) // step * step
        fraction = f".{moment.microsecond:06d}"[: digits + 1] if digits else ""
        hour, suffix = moment.hour, ""
        if half_day:
            hour, suffix = (moment.hour - 1) % 12 + 1, " pm" if moment.hour >= 12 else " am"
        text = (
            f"{WEEKDAYS[language][moment.weekday()]} {MONTHS[language][moment.month - 1]} {moment.day}"
            f" {hour:02d}:{moment:%M:%S}{fraction}{suffix} {moment.year}"
        )
        assert parse_date_ns(text.encode()) == (moment - EPOCH) // timedelta(microseconds=1) * 1000
