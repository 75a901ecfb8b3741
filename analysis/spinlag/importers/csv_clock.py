"""Clock times of a table as seconds from midnight of the first row's day, digit by digit.

ISO 8601-1:2019, 5.3 and 5.4, with or without date and offset; besides, hours beyond 24, AM and PM, and dates with the
year last. Such a date can mean two days: the one nearer to the first row's counts, as a capture lasts for minutes.
"""

from __future__ import annotations

import datetime
import re

from spinlag.importers.csv_dialect import CLOCK_JUMP

_DAY = 86400
_DATE = (
    rb"(?:(?P<year>\d{4})[-/.](?P<month>\d\d?)[-/.](?P<day>\d\d?)"
    rb"|(?P<one>\d\d?)(?P<mark>[-/.])(?P<other>\d\d?)(?P=mark)(?P<late>\d{4}))"
)
DATE_CELL = re.compile(rb' *"?' + _DATE + rb'"? *')
CLOCK = re.compile(
    rb'(?P<open> *(?P<quote>"?) *)(?:'
    + _DATE
    + rb",?(?:T| +))?(?P<hour>\d{1,4}):(?P<minute>[0-5]\d):(?P<second>[0-5]\d)(?P<part>[.,]\d{1,18})?"
    + rb"(?: *(?P<half>[AaPp])\.?[Mm]\.?)?"
    + rb" *(?P<zone>Z|[-+]\d\d:?\d\d)? *(?P=quote)[ \r]*"
)


class Clock:
    """Translates the clock times of a file in order: it remembers the day."""

    def __init__(self) -> None:
        self._origin: dict[str, int] | None = None
        self._zone: int | None = None
        self._last: int | None = None
        self._days = 0

    def plain(self, cell: bytes, before: bytes | None) -> bytes:
        """A clock time as seconds, its fraction as written; a cell that is none as it is.

        `before` is the cell left of it, which may hold the date. A time that falls by more than half a day, without a
        date, has passed midnight; one that rises by as much is marked.
        """
        found = CLOCK.fullmatch(cell)
        hour = None if found is None else _hour(found)
        if found is None or hour is None:
            return cell
        seconds = hour * 3600 + int(found["minute"]) * 60 + int(found["second"])
        seconds -= self._offset(found["zone"])
        date = found if found["year"] or found["late"] else (None if before is None else DATE_CELL.fullmatch(before))
        if date is not None:
            days = self._days_since(_days(date))
            if days is None:
                return cell
            seconds += days * _DAY
        else:
            step = 0 if self._last is None else seconds - self._last
            if step > _DAY // 2 and not self._days:
                return cell.strip(b' "\r').replace(b" ", b"_") + CLOCK_JUMP.encode()
            self._days += (step < -_DAY // 2) - (step > _DAY // 2)  # set back across midnight: the reader tells where
            self._last = seconds
            seconds += self._days * _DAY
        if seconds < 0:
            return cell
        return found["quote"] + b"%d" % seconds + (found["part"] or b"") + found["quote"] + cell[len(cell.rstrip()) :]

    def _days_since(self, days: dict[str, int]) -> int | None:
        """Days since the first row's, in the order of day and month that makes them fewest; None where none fits."""
        if self._origin is None:
            self._origin = days
        since = [days[order] - first for order, first in self._origin.items() if order in days]
        return min(since, key=abs, default=None)

    def _offset(self, zone: bytes | None) -> int:
        """Seconds by which a row's offset from UTC exceeds that of the first row."""
        if zone is None or zone == b"Z":
            offset = 0
        else:
            offset = int(zone[1:3]) * 3600 + int(zone[-2:]) * 60
            offset = -offset if zone[:1] == b"-" else offset
        self._zone = offset if self._zone is None else self._zone
        return offset - self._zone


def _hour(found: re.Match[bytes]) -> int | None:
    """The hour of the day; None for one that a clock of twelve hours does not show."""
    hour = int(found["hour"])
    if not found["half"]:
        return hour
    return hour % 12 + 12 * (found["half"].lower() == b"p") if 1 <= hour <= 12 else None


def _days(date: re.Match[bytes]) -> dict[str, int]:
    """The day that a date means, counted from year 1, for each order of its figures that gives one."""
    if date["year"]:
        orders = {"year first": (date["year"], date["month"], date["day"])}
    else:
        orders = {"day first": (date["late"], date["other"], date["one"])}
        if date["mark"] != b".":
            orders["month first"] = (date["late"], date["one"], date["other"])
    days = {}
    for order, (year, month, day) in orders.items():
        try:
            days[order] = datetime.date(int(year), int(month), int(day)).toordinal()
        except ValueError:
            continue
    return days
