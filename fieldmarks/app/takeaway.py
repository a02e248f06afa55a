"""Take away: the report, the region file and the tables, to keep or to show to someone else."""

from __future__ import annotations

import json
from collections.abc import Callable
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
    if judged is None or record is None:
        return
    shown = {one.record.photo: one for one in work.day.photos if one.record}
    stem = Path(judged.records[0].photo).stem
    st.caption(
        "The report holds the photo with your regions but not where it was taken. Its fingerprint "
        "(SHA-256) lets anyone check that it is about this photo."
    )

    def pictures() -> list[bytes]:
        return [picture_of(one, shown[one.photo].photo, work.tables) for one in judged.records]

    json_kind = "application/json"
    regions = to_annotations(record.measurement.regions)
    of = f"of {photo.name}" if len(shown) > 1 else "(Web Annotation)"
    files: tuple[tuple[str, str, str, Callable[[], str | bytes]], ...] = (
        ("Report to read (HTML)", f"{stem}.report.html", "text/html",
         lambda: report_page(judged, pictures(), work.tables)),
        ("Report to print (PDF)", f"{stem}.report.pdf", "application/pdf",
         lambda: report_pdf(judged, pictures(), work.tables)),
        (f"Regions {of}", f"{Path(photo.name).stem}{REGION_SUFFIX}", json_kind,
         lambda: json.dumps(regions, indent=1, ensure_ascii=False)),
        ("Colours read (CSV)", f"{stem}.readings.csv", "text/csv",
         lambda: to_csv(READING_COLUMNS, reading_rows(judged))),
        ("Findings (CSV)", f"{stem}.findings.csv", "text/csv",
         lambda: to_csv(FINDING_COLUMNS, finding_rows(judged))),
        ("Whole record (JSON)", f"{stem}{judged.suffix}", json_kind,
         lambda: record_to_json(judged)),
    )  # fmt: skip
    for label, name, kind, made in files:
        st.download_button(label, made, name, kind, on_click="ignore", width="stretch")
    st.caption(f"Photo fingerprint: {photo.sha256}")
