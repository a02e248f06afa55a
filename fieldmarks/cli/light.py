"""Commands about light and colour: frame, charts, phones, fitness of a photo.

Mounted under the main command line; heavy libraries are imported inside the commands.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fieldmarks.cli.shared import Regions, say

app = typer.Typer(
    help="Cards, charts, the printed frame and your phone's own colours.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Photo = Annotated[Path, typer.Argument(help="The photo.")]


@app.command()
def print_frame(
    into: Annotated[Path, typer.Argument(help="PDF to write.")],
) -> None:
    """Write the frame for a grey card as a PDF to print at 100 %."""
    from fieldmarks.record import write_whole
    from fieldmarks.report.frame_sheet import sheet_pdf

    write_whole(into, sheet_pdf())
    say(f"Written: {into}. Print it at 100 %; the ruler on it must be 100 mm long.")


@app.command()
def find_card(
    photo: Photo,
    add: Annotated[
        bool, typer.Option("--add", help="Add what the frame shows to the photo's region file.")
    ] = False,
    reflectance: Annotated[
        float, typer.Option("--reflectance", min=0.01, max=1, help="Of the card, as a share.")
    ] = 0.18,
) -> None:
    """Find the printed frame, or propose places that could be a grey card."""
    from fieldmarks.measure.card_frame import find_frame
    from fieldmarks.measure.card_places import propose_cards
    from fieldmarks.measure.photo import open_photo
    from fieldmarks.measure.region import RegionSet
    from fieldmarks.measure.region_file import read_region_file, write_region_file
    from fieldmarks.pipeline import region_file_of

    opened = open_photo(photo)
    frame = find_frame(opened)
    if frame is None:
        places = propose_cards(opened)
        print("No printed frame was found.")
        for number, place in enumerate(places, 1):
            corners = ", ".join(f"({x:.0f}, {y:.0f})" for x, y in place.shape.points)
            print(f"Could be a card ({number}, score {place.score:.2f}): {corners}")
        if not places:
            print("Nothing in the photo looks like a plain grey card.")
        return
    print(
        f"Frame found by {len(frame.markers)} of its 4 squares. {frame.mm_per_pixel:.3f} mm per "
        f"pixel, within {2 * frame.scale_error:.1%} (95 %) in the frame's own plane."
    )
    print(frame.distance_note)
    for warning in frame.warnings:
        print(warning)
    if add:
        found, path = frame.regions(reflectance), region_file_of(photo)
        old = read_region_file(path).regions if path.exists() else ()
        names = {r.id for r in found}
        regions = (*(r for r in old if r.id not in names), *found)
        write_region_file(
            RegionSet(opened.name, opened.width, opened.height, regions, opened.sha256), path
        )
        say(f"Card and scale added to {path.name}.")


@app.command()
def check_photo(photo: Photo, regions: Regions = None) -> None:
    """Say whether a photo is fit for reading colours, and what to do better."""
    from fieldmarks.measure.calibration import calibrate
    from fieldmarks.measure.photo import open_photo
    from fieldmarks.measure.photo_quality import photo_fitness
    from fieldmarks.measure.region_file import read_region_file
    from fieldmarks.pipeline import region_file_of

    opened = open_photo(photo)
    path = regions or region_file_of(photo)
    drawn = read_region_file(path).regions if path.exists() else ()
    fitness = photo_fitness(opened, drawn)
    cards = [r for r in drawn if r.mark == "card"]
    card = calibrate(opened, cards)
    faults = [*card.refusals, *card.warnings, *fitness.advice]
    names = {r.id: r.mark.replace("_", " ") for r in drawn}
    faults += [f"The {names[r.region]}: {line}" for r in fitness.regions for line in r.advice]
    quality = fitness.file.quality
    how = f", JPEG quality about {quality}" if quality else ""
    print(f"{opened.name}: {opened.width} x {opened.height} pixels{how}.")
    for fault in faults:
        print(f"* {fault}")
    if not cards:
        fit = "No grey card is marked: whether its colours can be read is not known."
    elif not card.calibrated:
        fit = "Not fit: the card cannot be used, so fine tints decide nothing."
    elif faults:
        fit = "Fit in part: the lines above say what to do better."
    else:
        fit = "Fit: nothing speaks against it."
    print(fit)


@app.command()
def charts() -> None:
    """List the colour charts that can be marked, with their patches."""
    from fieldmarks.measure.chart import load_charts

    for key, chart in load_charts().items():
        print(f"{key}: {chart.name} ({chart.rows} x {chart.columns} patches)")
        print(f"  {', '.join(p.key for p in chart.patches)}")
        print(f"  Colours: {chart.source}")
    print("They hold for bought charts. Colours of a copy printed at home are not known.")


@app.command()
def keep_phone(
    name: Annotated[str, typer.Argument(help="Your own name for the phone.")],
    photo: Annotated[Path, typer.Argument(help="Photo of a chart, marked in its region file.")],
    regions: Regions = None,
    into: Annotated[Path | None, typer.Option("--into", help="Folder to keep it in.")] = None,
) -> None:
    """Learn a phone's tone and colours from a chart photo and keep them under a name."""
    from fieldmarks.measure.measure import calibrate_photo
    from fieldmarks.measure.phone_profile import make_profile, save_profile
    from fieldmarks.measure.photo import open_photo
    from fieldmarks.measure.region_file import read_region_file
    from fieldmarks.pipeline import region_file_of

    opened = open_photo(photo)
    drawn = read_region_file(regions or region_file_of(photo))
    calibration = calibrate_photo(opened, drawn)
    profile = make_profile(name, opened, calibration)
    path = save_profile(profile, into)
    for warning in calibration.warnings:
        say(warning)
    mean, high = profile.correction.held_out
    say(
        f"Kept as {name!r} ({profile.correction.name}; patches left out are met to a mean of "
        f"{mean:.1f}, 95 % to {high:.1f} CIEDE2000): {path}"
    )


@app.command()
def phones() -> None:
    """List the phones kept."""
    from fieldmarks.measure.phone_profile import list_profiles, load_profile

    names = list_profiles()
    for name in names:
        profile = load_profile(name)
        mean, high = profile.correction.held_out
        camera = profile.camera or "camera not named"
        print(f"{name}: {camera}, {profile.correction.name}, error {mean:.1f} (95 % {high:.1f})")
    if not names:
        print("None is kept yet.")
