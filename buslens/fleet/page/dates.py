"""Calendar times as a sheet writes them."""

from datetime import UTC, datetime, timedelta

from buslens.units import NS_PER_DAY, NS_PER_US

_START = datetime(1970, 1, 1, tzinfo=UTC)

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
"""Whatever the locale is."""


def moment_of(recorded_ns: int) -> datetime:
    """Return a calendar time; the zone is that of whoever named the file."""
    return _START + timedelta(microseconds=recorded_ns // NS_PER_US)


def day(recorded_ns: int | None) -> str:
    """Return the date of a calendar time, ISO 8601.

    >>> day(1_773_473_400_000_000_000), day(None)
    ('2026-03-14', 'undated')
    """
    return "undated" if recorded_ns is None else f"{moment_of(recorded_ns):%Y-%m-%d}"


def minute(recorded_ns: int | None) -> str:
    """Return date and time of day.

    >>> minute(1_773_473_400_000_000_000)
    '2026-03-14 07:30'
    """
    return "undated" if recorded_ns is None else f"{moment_of(recorded_ns):%Y-%m-%d %H:%M}"


def period(first_ns: int | None, last_ns: int | None) -> str:
    """Return a stretch of days.

    >>> period(0, 86_400_000_000_000), period(0, 1), period(None, None)
    ('1970-01-01 to 1970-01-02', '1970-01-01', 'undated')
    """
    first, last = day(first_ns), day(last_ns)
    return first if first == last else f"{first} to {last}"


def crossing_text(crossing_ns: tuple[int, int | None]) -> str:
    """Return between which days a limit will be crossed."""
    first, last = crossing_ns
    if last is None:
        return f"on {day(first)} at the earliest"
    return f"on {day(first)}" if day(first) == day(last) else f"between {day(first)} and {day(last)}"


def date_text(recorded_ns: int | None, now_ns: int | None = None) -> str:
    """Return a date as it stands in a row: with its year only where that is not the year of `now_ns`.

    >>> date_text(1_773_473_400_000_000_000), date_text(0, 1), date_text(None)
    ('14 Mar 2026', '1 Jan', 'undated')
    """
    if recorded_ns is None:
        return "undated"
    at = moment_of(recorded_ns)
    year = "" if now_ns is not None and moment_of(now_ns).year == at.year else f" {at.year}"
    return f"{at.day} {MONTHS[at.month - 1]}{year}"


def day_count(since_ns: int, until_ns: int) -> str:
    """Return how many days lie between two calendar times, both of them counted.

    >>> day_count(0, 1), day_count(0, 86_400_000_000_000)
    ('1 day', '2 days')
    """
    days = until_ns // NS_PER_DAY - since_ns // NS_PER_DAY + 1
    return "1 day" if days == 1 else f"{days:,} days"
