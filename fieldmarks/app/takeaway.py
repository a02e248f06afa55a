"""Take away: the report, the region file and the tables, to keep or to show to someone else."""

from __future__ import annotations

import json
from pathlib import Path

import streamlit as st

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
    judged, record, photo = work.judged, work.record, work.photo
    if judged is None or record is None or photo is None:
        return
    shown = {one.record.photo: one for one in work.day.photos if one.record}
    stem = Path(judged.records[0].photo).stem
    st.caption(
        "The report holds the photo with your regions but not where it was taken. Its fingerprint "
        "(SHA-256) lets anyone check that it is about this photo."
    )

    def pictures() -> list[bytes]:
        found = ((one, shown[one.photo].photo) for one in judged.records)
        return [picture_of(one, of, work.tables) for one, of in found if of]

    st.download_button(
        "Report to read (HTML)",
        lambda: report_page(judged, pictures(), work.tables),
        f"{stem}.report.html",
        "text/html",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Report to print (PDF)",
        lambda: report_pdf(judged, pictures(), work.tables),
        f"{stem}.report.pdf",
        "application/pdf",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Regions of the photo in sight (Web Annotation)"
        if len(shown) > 1
        else "Regions (Web Annotation)",
        json.dumps(to_annotations(record.measurement.regions), indent=1, ensure_ascii=False),
        f"{Path(photo.name).stem}{REGION_SUFFIX}",
        "application/json",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Colours read (CSV)",
        lambda: to_csv(READING_COLUMNS, reading_rows(judged)),
        f"{stem}.readings.csv",
        "text/csv",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Findings (CSV)",
        lambda: to_csv(FINDING_COLUMNS, finding_rows(judged)),
        f"{stem}.findings.csv",
        "text/csv",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Whole record (JSON)",
        lambda: record_to_json(judged),
        f"{stem}{judged.suffix}",
        "application/json",
        on_click="ignore",
        width="stretch",
    )
    st.caption(f"Photo fingerprint: {photo.sha256}")
