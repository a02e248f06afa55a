"""A phone's profile: its tone curve and colour model, measured once on a chart and kept by name.

Later photos of the same phone then need only a grey card: the card gives the light, the profile
gives what the phone does to tone and colour. A profile belongs to a phone, its camera app and, less
strictly, a lamp; what does not match is said, and counted in the uncertainty.
"""

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from pydantic import TypeAdapter, ValidationError

from fieldmarks._util.atomic_write import write_whole
from fieldmarks._util.errors import CardError
from fieldmarks._util.user_folder import user_folder
from fieldmarks.measure.calibration import Calibration, card_table, lightness_misfit
from fieldmarks.measure.correction import TERMS, Correction
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.photo_quality import file_facts
from fieldmarks.measure.quantities import triple

SUFFIX = ".phone.json"
# A phone renders every photo a little differently: this share of the way from "change nothing" to
# the profile carries best to the phone's other photos, and these standard deviations along L*, C*,
# H* (CIEDE2000 units) come on top. Chosen on 13 real charts by two phones, each read with the
# profile of each other (benchmarks/real_photos.py).
CARRIED = 0.7
OTHER_PHOTO = (2.5, 1.9, 0.8)
MISMATCH_FACTOR = 1.5  # another camera app, or exposures blended: judgement, not measured
MOST = 1000.0  # no number of a real profile comes near it
OFF_THE_CURVE = 3.0  # L* by which several cards may miss each other after the profile


@dataclass(frozen=True)
class PhoneProfile:
    """One phone as measured on a chart.

    Args:
        name: The keeper's own name for it.
        camera, software: As the chart photo's file names them.
        hdr: The chart photo carried signs of blended exposures.
        taken: When the chart was photographed, as the file says.
        format: Version of this file format.
    """

    name: str
    camera: str
    software: str
    hdr: bool
    colour_profile: str
    taken: str
    correction: Correction
    format: int = 1


_ADAPTER: TypeAdapter[PhoneProfile] = TypeAdapter(PhoneProfile)


def profile_folder() -> Path:
    """Where profiles are kept for this user."""
    return user_folder() / "phones"


def make_profile(name: str, photo: Photo, calibration: Calibration) -> PhoneProfile:
    """A profile from a photo that was calibrated on a chart.

    Raises:
        CardError: The name is unusable, or the photo's calibration holds no colour model.
    """
    _check_name(name)
    correction = calibration.correction
    if correction is None or not correction.coefficients:
        reason = "; ".join((*calibration.refusals, *calibration.warnings)) or "no chart is marked"
        raise CardError(
            f"no colour model could be fitted ({reason})",
            where=photo.name,
            mend="Photograph the whole chart in even light and mark its four corners",
        )
    facts = photo.facts
    return PhoneProfile(
        name=name,
        camera=facts.camera,
        software=facts.software,
        hdr=file_facts(photo).hdr,
        colour_profile=facts.colour_profile,
        taken=facts.taken,
        correction=correction,
    )


def save_profile(profile: PhoneProfile, folder: Path | None = None) -> Path:
    """Write a profile; an older one of the same name is replaced."""
    path = (folder or profile_folder()) / f"{profile.name}{SUFFIX}"
    write_whole(path, _ADAPTER.dump_json(profile, indent=1) + b"\n")
    return path


def load_profile(name: str, folder: Path | None = None) -> PhoneProfile:
    """Read a profile by its name, or from the path of its file.

    Raises:
        CardError: There is no such profile, or its file is damaged.
    """
    path = Path(name)
    if not name.endswith(SUFFIX):
        _check_name(name)
        path = (folder or profile_folder()) / f"{name}{SUFFIX}"
    try:
        profile = _ADAPTER.validate_json(path.read_bytes())
        _check_name(profile.name)
        _check_numbers(profile.correction, path.name)
        return profile
    except OSError:
        known = ", ".join(list_profiles(folder)) or "none yet"
        raise CardError(f"there is no phone profile {name!r}", mend=f"Kept here: {known}") from None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]["msg"]
        raise CardError(
            f"this phone profile is damaged ({first})", where=path.name, mend="Make it again"
        ) from None


def list_profiles(folder: Path | None = None) -> list[str]:
    """Names of the profiles kept."""
    place = folder or profile_folder()
    return sorted(p.name.removesuffix(SUFFIX) for p in place.glob(f"*{SUFFIX}"))


def with_profile(photo: Photo, calibration: Calibration, profile: PhoneProfile) -> Calibration:
    """A calibration on a grey card, with the phone's tone and colour from its profile.

    A profile of another camera is not used, nor any on camera raw; other doubts are warned of and
    widen the camera term. Patches of known colour in the photo itself always come before a profile.
    """
    if not calibration.calibrated or calibration.correction is not None:
        return calibration
    facts, name = photo.facts, profile.name
    if profile.camera and facts.camera and facts.camera != profile.camera:
        return calibration.warned(
            f"Phone profile {name}: it belongs to {profile.camera}, this photo is from "
            f"{facts.camera}. It was not used."
        )
    if calibration.straight:
        return calibration.warned(f"Phone profile {name}: camera raw needs none. It was not used.")
    doubts = _doubts(photo, profile)
    known, rgb, at = card_table(calibration.patches)
    light = calibration.factor(*at.T)
    correction = profile.correction.carried(CARRIED).with_gains(rgb, known, light)
    misfit = lightness_misfit(correction.apply(rgb, light), known)
    if misfit > OFF_THE_CURVE:
        doubts.append(
            f"the cards do not lie on its tone curve (they miss by L* {misfit:.0f}); "
            "this photo was rendered in another way"
        )
    residual = (MISMATCH_FACTOR if doubts else 1.0) * np.hypot(correction.residual, OTHER_PHOTO)
    residual[0] = math.hypot(residual[0], misfit)
    correction = replace(
        correction,
        residual=triple(residual),
        source=f"phone profile {name} ({profile.correction.source.split(' in ')[0]}), "
        "under any lamp",
    )
    # What may be another phone's is said and widens nothing: the keeper chose the profile.
    if not profile.camera:
        doubts = [
            "the photo it was made from names no camera, so it may be another phone's",
            *doubts,
        ]
    elif not facts.camera:
        doubts = ["this file does not name its camera, so it may be another phone's", *doubts]
    warnings = (f"Phone profile {name}: {doubt}." for doubt in doubts)
    return replace(calibration, correction=correction).warned(*warnings)


def _doubts(photo: Photo, profile: PhoneProfile) -> list[str]:
    facts, doubts = photo.facts, []
    if facts.software != profile.software:
        unnamed = "unnamed software"
        doubts.append(
            f"made with {profile.software or unnamed}, this photo with {facts.software or unnamed}"
        )
    if file_facts(photo).hdr != profile.hdr:
        doubts.append("blended exposures (HDR) in one of the two photos only")
    if facts.colour_profile != profile.colour_profile:
        doubts.append(f"made in {profile.colour_profile}, this photo is in {facts.colour_profile}")
    return doubts


def _check_numbers(correction: Correction, where: str) -> None:
    """Refuse a model that cannot be one: no patches, rows of the wrong length, absurd numbers."""
    rows = correction.coefficients
    length = {TERMS[correction.basis]} if rows else set()
    numbers = np.hstack(
        [correction.tone, correction.gains, correction.residual, correction.held_out,
         *rows, *correction.known]
    )  # fmt: skip
    whole = correction.known and {len(row) for row in rows} == length and len(rows) in (0, 3)
    if not whole or not np.isfinite(numbers).all() or np.abs(numbers).max() > MOST:
        raise CardError(
            "this phone profile holds numbers that cannot be", where=where, mend="Make it again"
        )


def _check_name(name: str) -> None:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,59}", name):
        raise CardError(
            f"{name!r} cannot be the name of a profile",
            mend="Use letters, digits, spaces, _ and -",
        )
