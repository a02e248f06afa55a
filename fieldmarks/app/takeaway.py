"""Take away: the report, the region file and the tables, to keep or to show to someone else."""

import json
from collections.abc import Callable
from pathlib import Path

import streamlit as st

from fieldmarks.app.birds.shared import KINDS
from fieldmarks.app.state import Work
from fieldmarks.measure.region_file import to_annotations
from fieldmarks.pipeline import REGION_SUFFIX, picture_of
from fieldmarks.record import (
    FINDING_COLUMNS,
    READING_COLUMNS,
    finding_rows,
    reading_rows,
    record_to_json,
    to_csv,
)
from fieldmarks.report.page import report_page
from fieldmarks.report.pdf import report_pdf


def take_away_panel(work: Work) -> None:
    """Buttons to save everything that was found."""
    judged, record, photo, tables = work.day.judged, work.record, work.photo, work.tables
    if judged is None or record is None:
        return
    shown = {one.record.photo: one for one in work.day.photos if one.record}
    stem = Path(judged.records[0].photo).stem
    st.caption(
        "The report holds the photo with your regions but not where it was taken. Its fingerprint "
        "(SHA-256) lets anyone check that it is about this photo."
    )

    def pictures() -> list[bytes]:
        return [picture_of(one, shown[one.photo].photo, tables) for one in judged.records]

    def offer(label: str, ending: str, made: Callable[[], str | bytes], of: str = stem) -> None:
        kind = KINDS.guess_type(ending)[0]
        st.download_button(label, made, of + ending, kind, on_click="ignore", width="stretch")

    offer("Report to read (HTML)", ".report.html", lambda: report_page(judged, pictures(), tables))
    offer("Report to print (PDF)", ".report.pdf", lambda: report_pdf(judged, pictures(), tables))
    regions = to_annotations(record.measurement.regions)
    offer(
        f"Regions of {photo.name}" if len(shown) > 1 else "Regions (Web Annotation)",
        REGION_SUFFIX,
        lambda: json.dumps(regions, indent=1, ensure_ascii=False),
        Path(photo.name).stem,
    )
    offer(
        "Colours read (CSV)", ".readings.csv", lambda: to_csv(READING_COLUMNS, reading_rows(judged))
    )
    offer("Findings (CSV)", ".findings.csv", lambda: to_csv(FINDING_COLUMNS, finding_rows(judged)))
    offer("Whole record (JSON)", judged.suffix, lambda: record_to_json(judged))
    st.caption(f"Photo fingerprint: {photo.sha256}")
