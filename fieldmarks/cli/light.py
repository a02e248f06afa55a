"""``fieldmarks light ...``: frame, charts, phones, fitness of a photo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from typer import Argument, Option

from fieldmarks.cli.answers import say, write
from fieldmarks.cli.asking import Regions, group

if TYPE_CHECKING:
    from fieldmarks.measure.photo import Photo as OpenPhoto
    from fieldmarks.measure.region import Region

app = group(help="Cards, charts, the printed frame and your phone's own colours.")

Photo = Annotated[Path, Argument(help="The photo.")]


@app.command()
def print_frame(into: Annotated[Path, Argument(help="PDF to write.")]) -> None:
    """Write the frame for a grey card as a PDF to print at 100 %."""
    from fieldmarks.report.frame_sheet import sheet_pdf

    write(into, sheet_pdf(), ". Print it at 100 %; the ruler on it must be 100 mm long.")


@app.command()
def find_card(
    photo: Photo,
    add: Annotated[
        bool, Option("--add", help="Add what the frame shows to the photo's region file.")
    ] = False,
    reflectance: Annotated[float, Option(min=0.01, max=1, help="Of the card, as a share.")] = 0.18,
) -> None:
    """Find the printed frame, or propose places that could be a grey card."""
    from fieldmarks.measure import card_frame, card_places, region, region_file
    from fieldmarks.measure.photo import open_photo

    opened = open_photo(photo)
    frame = card_frame.find_frame(opened)
    if frame is None:
        print("No printed frame was found.")
        places = card_places.propose_cards(opened)
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
    print("\n".join((frame.distance_note, *frame.warnings)))
    if add:
        found = frame.regions(reflectance)
        path, old = _drawn(photo, opened)
        names = {r.id for r in found}
        kept = (*(r for r in old if r.id not in names), *found)
        drawn = region.RegionSet(opened.name, opened.width, opened.height, kept, opened.sha256)
        region_file.write_region_file(drawn, path)
        say(f"Card and scale added to {path.name}.")


@app.command()
def check_photo(photo: Photo, regions: Regions = None) -> None:
    """Say whether a photo is fit for reading colours, and what to do better."""
    from fieldmarks.measure.calibration import calibrate
    from fieldmarks.measure.photo import open_photo
    from fieldmarks.measure.photo_quality import photo_fitness

    opened = open_photo(photo)
    _, drawn = _drawn(photo, opened, regions)
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
        print("No grey card is marked: whether its colours can be read is not known.")
    elif not card.calibrated:
        print("Not fit: the card cannot be used, so fine tints decide nothing.")
    elif faults:
        print("Fit in part: the lines above say what to do better.")
    else:
        print("Fit: nothing speaks against it.")


def _drawn(
    photo: Path, opened: OpenPhoto, regions: Path | None = None
) -> tuple[Path, tuple[Region, ...]]:
    """The region file of a photo, and what is drawn in it so far.

    Raises:
        RegionError: It cannot be read, or belongs to another photo.
    """
    from fieldmarks.pipeline import region_file_of, regions_of

    path = regions or region_file_of(photo)
    return path, regions_of(photo, path, opened).regions if path.exists() else ()


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
    name: Annotated[str, Argument(help="Your own name for the phone.")],
    photo: Annotated[Path, Argument(help="Photo of a chart, marked in its region file.")],
    regions: Regions = None,
    into: Annotated[Path | None, Option(help="Folder to keep it in.")] = None,
) -> None:
    """Learn a phone's tone and colours from a chart photo and keep them under a name."""
    from fieldmarks.measure.measure import calibrate_photo
    from fieldmarks.measure.phone_profile import make_profile, save_profile
    from fieldmarks.measure.photo import open_photo
    from fieldmarks.pipeline import regions_of

    opened = open_photo(photo)
    calibration = calibrate_photo(opened, regions_of(photo, regions, opened))
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
