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
    record, photo = work.record, work.photo
    if record is None or photo is None:
        return
    stem = Path(photo.name).stem
    st.caption(
        "The report holds the photo with your regions but not where it was taken. Its fingerprint "
        "(SHA-256) lets anyone check that it is about this photo."
    )

    def picture() -> bytes:
        return picture_of(record, photo, work.tables)

    st.download_button(
        "Report to read (HTML)",
        lambda: report_page(record, picture(), work.tables),
        f"{stem}.report.html",
        "text/html",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Report to print (PDF)",
        lambda: report_pdf(record, picture(), work.tables),
        f"{stem}.report.pdf",
        "application/pdf",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Regions (Web Annotation)",
        json.dumps(to_annotations(record.measurement.regions), indent=1, ensure_ascii=False),
        f"{stem}{REGION_SUFFIX}",
        "application/json",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Colours read (CSV)",
        lambda: to_csv(READING_COLUMNS, reading_rows(record)),
        f"{stem}.readings.csv",
        "text/csv",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Findings (CSV)",
        lambda: to_csv(FINDING_COLUMNS, finding_rows(record)),
        f"{stem}.findings.csv",
        "text/csv",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Whole record (JSON)",
        lambda: record_to_json(record),
        f"{stem}.record.json",
        "application/json",
        on_click="ignore",
        width="stretch",
    )
    st.caption(f"Photo fingerprint: {photo.sha256}")
