"""What a take-away report says, in order, as plain blocks; the page and the PDF only set them.

Every number is taken from the record as it is, and rounded only when written.
"""

from collections.abc import Callable, Iterable, Sequence

from fieldmarks.judge.findings import Status
from fieldmarks.judge.scale import EXPLAINED
from fieldmarks.judge.signs import STRENGTHS, SignStatus
from fieldmarks.measure.quantities import Reading
from fieldmarks.measure.region import letters
from fieldmarks.record import AnyRecord, Record
from fieldmarks.report.blocks import (
    Block,
    Bullets,
    Content,
    Facts,
    Figure,
    Grid,
    Group,
    More,
    Para,
    Picture,
    Section,
    Title,
    texts,
)  # fmt: skip
from fieldmarks.report.drawings import likely_text, strip
from fieldmarks.report.glossary import words_in
from fieldmarks.report.picture import without_metadata
from fieldmarks.report.plane import colour_plane, mark_name, reading_letters
from fieldmarks.report.svg import hexadecimal, number, short
from fieldmarks.report.views import (
    AGAINST,
    FOR,
    MarkView,
    SpeciesView,
    against_words,
    asked_note,
    finding_summary,
    likelier_variety,
)
from fieldmarks.rules import Tables

TITLE = "What the marks on this photo say"
SHOWN_SIGNS = (SignStatus.SEEN, SignStatus.LOOK_AGAIN, SignStatus.DOUBTFUL)
NEXT_SHOWN = 6
LIKELIEST_SHOWN = 3
AGAINST_SHOWN = 4
APPENDIX = "Appendix: how it came about"
APPENDIX_SAYS = (
    "For whoever wants to check it: every number from here on is in the record file too."
)


def report_content(
    record: AnyRecord, photo_jpeg: bytes | Sequence[bytes], tables: Tables
) -> Content:
    """Everything a report says about a record: one page for whoever buys, sells or breeds the bird,
    and how it came about as an appendix.

    Args:
        photo_jpeg (bytes, or one for each photo): The annotated photo
            (:func:`fieldmarks.report.picture.annotate`) as JPEG. Whatever it holds beside the
            picture, such as a place, is taken out.
        tables: The tables the record was made with.

    Raises:
        FieldmarksError: ``photo_jpeg`` is no JPEG.
    """
    views = finding_summary(record, tables)
    jpegs = [photo_jpeg] if isinstance(photo_jpeg, bytes) else photo_jpeg
    pictures = [
        Picture(without_metadata(jpeg), f"The photo, lettered: {_outlines(one, tables)}")
        for one, jpeg in zip(record.records, jpegs, strict=True)
    ]
    parts: tuple[tuple[str, str, Sequence[Block]], ...] = (
        ("conclusion", "In short", _conclusion(record, tables, views)),
        ("cautions", "Keep in mind", [Bullets(record.assessment.cautions)]),
        ("photo", "The photo with its marks", pictures),
        ("appendix", APPENDIX, [Para(APPENDIX_SAYS)]),
        ("findings", "Each species, mark by mark", _findings(views)),
        ("signs", "Signs of mixed ancestry", _signs(record)),
        ("open", "What cannot be told, and what was not read", _open(record, views)),
        ("next", "Mark these next", _next(record)),
        ("light", "Light and grey card", _each(record, tables, _light)),
        ("readings", "Colours read", _each(record, tables, _readings)),
        ("relations", "Compared inside the photo", _each(record, tables, _relations)),
        ("file", "The photo file", _each(record, tables, _file)),
        ("made", "How this report was made", _made(record, tables)),
    )
    sections = tuple(
        Section(key, title, tuple(blocks), new_page=key == "appendix")
        for key, title, blocks in parts
        if blocks
    )
    foot = f"Photo SHA-256 {record.sha256[:16]}"
    words = words_in("\n".join(texts(block for s in sections for block in s.blocks)))
    return Content(TITLE, record.photo, foot, sections, words)


def _each(
    record: AnyRecord, tables: Tables, blocks: Callable[[Record, Tables], list[Block]]
) -> list[Block]:
    """The blocks of each photo, under its name where there are several."""
    found = [(one, blocks(one, tables)) for one in record.records]
    if len(found) == 1:
        return found[0][1]
    return [block for one, own in found if own for block in (Title(one.photo), *own)]


def _conclusion(record: AnyRecord, tables: Tables, views: Sequence[SpeciesView]) -> list[Block]:
    judged = record.assessment
    held = judged.conclusion.held
    if held is None:
        sure = "Nothing was decided, so there is no number for how sure this is."
    else:
        sure = f"How likely that is, given the marks read: {likely_text(held)}."
    ranking = [
        f"{' x '.join(row.species) or 'none of these'} {likely_text(row.share)}"
        for row in judged.conclusion.standing[:LIKELIEST_SHOWN]
    ]
    likeliest = f"Likeliest: {', '.join(ranking)} (two names joined: a first cross)."
    said = [likeliest] if ranking else []
    said += [sure, asked_note(record, tables)]
    if likelier := likelier_variety(record, tables):
        said.append(likelier[1])
    said += [f"The photos disagree. {row.sentence}" for row in judged.disagreements[:AGAINST_SHOWN]]
    if coming := [row.name for row in judged.next_marks[:3]]:
        said.append(f"To settle more, mark these next: {', '.join(coming)}.")
    blocks: list[Block] = [Para(judged.conclusion.sentence, strong=True)]
    against = [m for v in views if v.subject for m in v.of(Status.DOES_NOT_FIT)][:AGAINST_SHOWN]
    signs = [s for s in judged.signs if s.status in SHOWN_SIGNS][:AGAINST_SHOWN]
    if against or signs:
        # Of which species, where the bird is looked at as several.
        several = len({m.finding.species for m in against}) > 1
        items = [
            against_words(m.finding, tables) + (f" ({m.finding.species})" if several else "")
            for m in against
        ]
        items += [f"{s.status.value}: {s.text}" for s in signs]
        icons = (*(m.finding.status.value for m in against), *(s.status.value for s in signs))
        blocks += [Title("What speaks against it"), Bullets(tuple(items), icons)]
    return [*blocks, *(Para(text) for text in said)]


PLACE_SAID = {
    True: "The photo file holds the place where it was taken (GPS). It was left out here.",
    False: "No GPS place was found in the photo file. Captions and the maker's own data were not "
    "searched.",
    None: "A camera raw file may hold the place where it was taken; it was not searched. Nothing "
    "of it stands here.",
}


def _listed(title: str, items: Iterable[str]) -> list[Block]:
    """A list with its title; nothing where it is empty."""
    found = tuple(items)
    return [Title(title), Bullets(found)] if found else []


def _outlines(record: Record, tables: Tables) -> str:
    drawn = record.measurement.regions.regions
    named = letters(drawn)
    return ", ".join(f"{named[r.id]} {mark_name(tables, r.mark)}" for r in drawn) or "none drawn"


def _file(record: Record, tables: Tables) -> list[Block]:
    measured = record.measurement
    drawn, facts = measured.regions.regions, measured.facts
    named = letters(drawn)
    rows = [
        ("Photo", measured.photo),
        ("Size", f"{measured.width} x {measured.height} pixels"),
        ("File", f"{facts.format}, {facts.bits} bits per colour, {facts.colour_profile}"),
        ("Camera", facts.camera),
        ("Taken", facts.taken),
        ("Changed with", facts.software),
    ]
    notes = [f"{named[r.id]} {mark_name(tables, r.mark)}: {r.note}" for r in drawn if r.note]
    return [
        Facts(tuple((name, value) for name, value in rows if value)),
        Para(f"Outlines: {_outlines(record, tables)}."),
        Para(PLACE_SAID[facts.has_position]),
        *_listed("The keeper's notes", notes),
    ]


def _light(record: Record, _tables: Tables) -> list[Block]:
    measured = record.measurement
    card = measured.calibration
    blocks: list[Block] = [Para(card.summary)]
    if card.patches:
        rows = tuple(
            (p.region, f"{p.reflectance:.1%}", *(number(v, 1) for v in p.lab), f"{p.step:.0%}",
             f"{p.pixels}")
            for p in card.patches
        )  # fmt: skip
        head = ("Card", "Reflectance", "L*", "a*", "b*", "Uneven", "Pixels")
        caption = "The grey card as photographed, before the light was put right"
        blocks.append(Grid(caption, head, rows, tuple(hexadecimal(p.lab) for p in card.patches)))
    if card.plane != (0.0, 0.0):
        diagonal = (measured.width**2 + measured.height**2) ** 0.5
        change = (card.plane[0] ** 2 + card.plane[1] ** 2) ** 0.5 * diagonal
        blocks.append(
            Para(f"Several cards show that the light changes by {change:.0%} across the photo.")
        )
    if len(card.patches) > 1:
        blocks.append(Para(f"Then the cards miss their known values by L* {card.misfit:.1f}."))
    return blocks + _listed("Watch out", measured.warnings)


def _readings(record: Record, tables: Tables) -> list[Block]:
    readings = record.measurement.readings
    if not readings:
        return [Para("No colour was read.")]
    letters = reading_letters(record)
    rows = tuple(
        (f"{letters.get(r.mark, '')} {mark_name(tables, r.mark)}".strip(),
         *(number(v, 1) for v in (*r.lab, r.expanded, r.chroma, r.hue)))
        for r in readings
    )  # fmt: skip
    colours = tuple(hexadecimal(r.lab) for r in readings)
    head = ("Mark", "L*", "a*", "b*", "± (95 %)", "C*", "h")
    caption = "Median colour of each outline, CIELAB; ± is in CIEDE2000"
    if not all(r.calibrated for r in readings):
        caption += ". Not calibrated."
    blocks: list[Block] = [Grid(caption, head, rows, colours)]
    parts = (part for r in readings for part in r.budget.parts)
    causes = Bullets(tuple(dict.fromkeys(f"{part.name}: {part.source}." for part in parts)))
    budget = (_budget_grid(readings, tables), causes)
    blocks.append(More("How sure each reading is, and why", budget))
    blocks.append(More("Pixels left out, and why", (_pixel_grid(readings, tables),)))
    figures = tuple(
        Figure(strip(r.populations), f"Colours found in the {mark_name(tables, r.mark)}")
        for r in readings
        if len(r.populations) > 1
    )
    if figures:
        blocks += [Title("Marks of more than one colour"), Group(figures)]
    caption = "Colours read, and the nearest colours expected, without their lightness"
    blocks.append(Figure(colour_plane(record, tables), caption))
    return blocks


def _budget_grid(readings: Sequence[Reading], tables: Tables) -> Grid:
    causes = list(dict.fromkeys(part.name for r in readings for part in r.budget.parts))
    rows = []
    for reading in readings:
        parts = {
            part.name: " / ".join(number(v, 2) for v in (part.lightness, part.chroma, part.hue))
            for part in reading.budget.parts
        }
        rows.append((mark_name(tables, reading.mark), *(parts.get(c, "none") for c in causes)))
    caption = "Each cause along lightness / away from grey / across the hue, in CIELAB units, k=1"
    return Grid(caption, ("Mark", *causes), tuple(rows))


def _pixel_grid(readings: Sequence[Reading], tables: Tables) -> Grid:
    rows = tuple(
        (mark_name(tables, r.mark), *(f"{v}" for v in (r.pixels.total, r.pixels.used,
         r.pixels.clipped, r.pixels.glare, r.pixels.dark)))
        for r in readings
    )  # fmt: skip
    head = ("Mark", "All", "Used", "Clipped", "Glare", "Too dark")
    return Grid("Pixels of each outline", head, rows)


def _relations(record: Record, tables: Tables) -> list[Block]:
    found = record.measurement.relations
    if not found:
        return []
    items = []
    for relation in found:
        kind = tables.relations.get(relation.key)
        unit = f" {kind.unit}" if kind else ""
        size = f"{short(relation.value)} ± {short(relation.expanded)}{unit} (95 %)"
        items.append(f"{mark_name(tables, relation.key)}: {size}. {relation.note}")
    return [Para("These need no grey card."), Bullets(tuple(items))]


def _findings(views: Sequence[SpeciesView]) -> list[Block]:
    blocks: list[Block] = [
        Para(
            "What the photo did to all colours alike is taken out as suits each species best. The "
            "black pointer is the reading, the band how far it may be off (95 of 100 draws). "
            "The green line underneath is what fits; its dashed end is the limit."
        ),
        Para(EXPLAINED),
    ]
    for view in views:
        heading = f"{view.species}, {view.name}: {view.tally}"
        unclear, fitting = view.of(*AGAINST), view.of(*FOR)
        # Drawn is only what may turn the verdict, so that it stays short.
        inner: list[Block] = [Group(tuple(_mark_blocks(m))) for m in unclear if view.subject]
        if listed := fitting if view.subject else unclear:
            inner.append(_finding_grid(view, listed))
        if not (unclear or fitting):
            inner = [Para("Nothing that was read can be compared with it.")]
        blocks += [Title(heading), *inner] if view.subject else [More(heading, tuple(inner))]
    return blocks


def _finding_grid(view: SpeciesView, marks: Sequence[MarkView]) -> Grid:
    rows = []
    for mark in marks:
        finding = mark.finding
        value = finding.value or 0.0
        low, high = finding.interval or (value, value)
        rows.append(
            (f"{mark.letter} {finding.name}".strip(),
             mark.nearest or mark.expected, short(value),
             "" if finding.tolerance is None else f"{finding.tolerance:g}",
             f"{short(low)} to {short(high)}",
             "" if finding.held is None else likely_text(finding.held), finding.status.value)
        )  # fmt: skip
    head = ("Mark", "Expected", "Away", "Limit", "95 of 100", "Likely", "It")
    what = "that fit" if view.subject else "that do not, or are too close to call"
    return Grid(f"Marks of {view.name} {what}", head, tuple(rows))


def _mark_blocks(mark: MarkView) -> Iterable[Block]:
    finding = mark.finding
    name = f"{mark.letter} {finding.name}".strip()
    yield Figure(mark.bar, finding.reason, name)
    if mark.pair:
        yield Figure(mark.pair)
    elif mark.shares:
        yield Figure(mark.shares)
        yield Para(f"Each of these may be one of: {mark.expected}.")


def _signs(record: AnyRecord) -> list[Block]:
    signs = record.assessment.signs
    shown = [s for s in signs if s.status in SHOWN_SIGNS]
    rest = [s for s in signs if s.status not in SHOWN_SIGNS]
    blocks: list[Block] = [Para("None could be looked for.")]
    if shown:
        items = tuple(
            f"{s.status.value}: {s.text} It points to {' or '.join(s.points_to)}; "
            f"{STRENGTHS.get(s.strength, s.strength)} ({s.evidence}). {s.reason}"
            for s in shown
        )
        blocks = [Bullets(items, tuple(s.status.value for s in shown))]
    elif any(s.status is SignStatus.NOT_SEEN for s in signs):
        blocks = [Para("None was seen in the marks read.")]
    if rest:
        items = tuple(f"{s.status.value}: {s.text} {s.reason}" for s in rest)
        hidden = Bullets(items, tuple(s.status.value for s in rest))
        blocks.append(More(f"{len(rest)} more that were not seen or not looked at", (hidden,)))
    return blocks


def _open(record: AnyRecord, views: Sequence[SpeciesView]) -> list[Block]:
    silent: dict[str, list[str]] = {}
    unread: dict[str, str] = {}
    for view in (v for v in views if v.subject):
        for mark in view.of(Status.SAYS_NOTHING):
            silent.setdefault(mark.finding.reason, []).append(mark.finding.name)
        unread |= {m.finding.mark: m.finding.name for m in view.of(Status.NOT_READ)}
    blocks: list[Block] = []
    if record.assessment.conclusion.outcome == "cannot be told":
        blocks.append(Para("The species cannot be told from the plumage of this bird."))
    items = (f"{', '.join(dict.fromkeys(n))}: {reason}" for reason, n in silent.items())
    blocks += _listed("Says nothing here", items)
    if unread:
        blocks += [Title("Not read"), Para(f"{', '.join(unread.values())}.")]
    return blocks or [Para("Every mark in the tables was read.")]


def _next(record: AnyRecord) -> list[Block]:
    items = tuple(
        f"{row.name}: {row.look} It tells {row.always} of {row.of_pairs} pairs of species apart"
        + (f", and {row.sometimes} more in part." if row.sometimes else ".")
        for row in record.assessment.next_marks[:NEXT_SHOWN]
    )
    return [Bullets(items)] if items else []


def _made(record: AnyRecord, tables: Tables) -> list[Block]:
    judged, first = record.assessment, record.records[0]
    rows = (
        ("Program", f"fieldmarks {first.program}"),
        ("Rule tables", judged.table_version),
        ("Tables, SHA-256", judged.table_fingerprint),
        ("Photo, SHA-256", record.sha256),
        ("Colours", first.colour_space),
        ("Variety, age", f"{judged.variety}, {judged.age}"),
        ("Said to be", judged.claimed or "nothing"),
        ("Draws, seed", f"{judged.draws}, {judged.seed}"),
    )
    blocks: list[Block] = [Facts(rows)]
    if judged.table_fingerprint != tables.fingerprint:
        blocks.append(
            Para("The tables at hand are not those of this record: names may differ.", strong=True)
        )
    same = "With the same photo, outlines, program and tables anyone gets the same numbers."
    return [*blocks, Para(same)]
