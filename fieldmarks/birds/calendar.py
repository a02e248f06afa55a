"""Reminders as an iCalendar file (RFC 5545), for the calendar a keeper has already."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from icalendar import Alarm, Calendar, Event

from fieldmarks import __version__
from fieldmarks.birds.archive import digest
from fieldmarks.birds.due import Reminder

ABOUT = "Dates are about, counted from what you noted; common practice, no published source."
AT = timedelta(hours=9)  # when the phone says so, on the day itself


def to_calendar(reminders: Iterable[Reminder], made: datetime) -> bytes:
    """An event of whole days for each reminder, with an alarm in the morning.

    The same thing to do keeps its UID, so that a file taken in anew moves it and adds none.

    Args:
        made: UTC.
    """
    calendar = Calendar()
    calendar.add("prodid", f"-//fieldmarks//{__version__}//EN")
    calendar.add("version", "2.0")
    for one in reminders:
        event, alarm = Event(), Alarm()
        event.add("uid", f"{digest(f'{one.about} {one.who} {one.title}'.encode())[:32]}@fieldmarks")
        event.add("dtstamp", made)
        event.add("dtstart", one.day)
        event.add("dtend", one.until + timedelta(days=1))  # not its own (RFC 5545, 3.6.1)
        event.add("summary", f"{one.who}: {one.title} (about)")
        event.add("description", f"{one.text} {ABOUT}")
        event.add("transp", "TRANSPARENT")
        alarm.add("action", "DISPLAY")
        alarm.add("description", f"{one.who}: {one.title}")
        alarm.add("trigger", AT)
        event.add_component(alarm)
        calendar.add_component(event)
    return bytes(calendar.to_ical())
