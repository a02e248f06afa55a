"""The demo photos: an invented club's invented birds, with the truth beside each photo."""

import hashlib
import json
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldmarks._util.resources import PACKAGE
from fieldmarks.measure.region import Region, RegionSet, Shape, mask, window
from fieldmarks.measure.region_file import write_region_file
from simulator import phone
from simulator.canvas import Mixture, Palette
from simulator.outlines import drawn_regions
from simulator.parts import Patchy, Plumage
from simulator.scene import Light, Rendered, Setting, paint_scene, take_photo
from simulator.spectra import NEUTRALS, xyz_to_lab

HERE = Path(__file__).parent

HOW_TRUE_LAB = (
    "CIELAB, D65, 2 degrees, of the mean XYZ of the painted reflectance over the region's pixels: "
    "feather texture and the shadow between feathers included; the light's fall on the body, "
    "gloss, camera, noise and phone left out. Illumination is that of the card."
)
HOW_MEDIAN = (
    "The same pixels, but the median of each pixel's own CIELAB: what to compare with a median "
    "reading where a mark has two colours."
)
HOW_AS_LIT = (
    "As true_lab, with each pixel's reflectance first multiplied by the light that falls there "
    "relative to the light on the (unshadowed) card; gloss left out."
)


@dataclass(frozen=True)
class Picture:
    """One demo picture as described in demo.toml."""

    name: str
    painted_as: str
    bird: str
    scenario: str
    seed: int
    quality: int
    setting: Setting
    light: Light
    plumage: Plumage
    sold_as: str = ""
    leave_out: tuple[str, ...] = ()

    @property
    def small_bib(self) -> bool:
        """Whether the bird's bib is only a small patch."""
        return "bib_small" in self.plumage.areas


@lru_cache(maxsize=1)
def _description() -> dict[str, Any]:
    return tomllib.loads((HERE / "demo.toml").read_text(encoding="utf-8"))


def _mixture(value: str | Mapping[str, float]) -> Mixture:
    return {value: 1.0} if isinstance(value, str) else dict(value)


def _mixtures(*tables: Mapping[str, Any]) -> dict[str, Mixture]:
    return {key: _mixture(value) for table in tables for key, value in table.items()}


def plumage_of(name: str, row: Mapping[str, Any] = MappingProxyType({})) -> Plumage:
    """A plumage of demo.toml with what a picture's row changes in it."""
    base, own = _description()["ground"], _description()["plumages"][name]
    return Plumage(
        areas=_mixtures(base["areas"], own.get("areas", {}), row.get("areas", {})),
        parts=_mixtures(base["parts"], own.get("parts", {}), row.get("parts", {})),
        patchy=tuple(Patchy(**p) for p in row.get("patchy", ())),
    )


def pictures() -> tuple[Picture, ...]:
    """All demo pictures, in the order of demo.toml."""
    out = []
    for row in _description()["picture"]:
        plumage = plumage_of(row["plumage"], row)
        light = dict(row["light"])
        light["white_balance_error"] = tuple(light["white_balance_error"])
        out.append(
            Picture(
                row["name"], row["plumage"], row["bird"], row["scenario"], row["seed"],
                row["quality"], Setting(**row["setting"]), Light(**light), plumage,
                row.get("sold_as", ""), tuple(row.get("leave_out", ())),
            )
        )  # fmt: skip
    return tuple(out)


def render_picture(
    picture: Picture, height: int | None = None
) -> tuple[npt.NDArray[np.uint8], tuple[Region, ...], dict[str, Any]]:
    """Paint and photograph one picture.

    Parameters
    ----------
    picture : Picture
    height : int, optional
        Height in pixels instead of the picture's own.

    Returns
    -------
    rgb8 : (h, w, 3) uint8 array
    regions : tuple of Region
    truth : dict
        What goes into the side file.
    """
    if height is not None:
        picture = replace(picture, setting=replace(picture.setting, height=height))
    scene = paint_scene(picture.plumage, picture.setting, picture.light, picture.seed)
    rgb8 = take_photo(scene, picture.light, picture.seed + 1)
    regions = drawn_regions(picture.setting, picture.leave_out, picture.small_bib)
    return rgb8, regions, _truth(picture, scene, regions)


def _pixels(
    scene: Rendered, region: Region, cut: Iterable[Shape]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """XYZ (n, 3) and light (n,) of a region's pixels."""
    height, width = scene.shade.shape
    win = window(region.shape, width, height)
    inside = mask(region.shape, win, tuple(cut))
    x0, y0, x1, y1 = win
    xyz = scene.xyz[y0:y1, x0:x1][inside].astype(np.float64)
    return xyz, scene.shade[y0:y1, x0:x1][inside].astype(np.float64)


def _truth(picture: Picture, scene: Rendered, regions: tuple[Region, ...]) -> dict[str, Any]:
    marks = tomllib.loads((PACKAGE / "data" / "marks.toml").read_text(encoding="utf-8"))["marks"]
    shapes = {region.mark: region.shape for region in regions}

    def rounded(lab: npt.NDArray[np.float64]) -> list[float]:
        return [round(float(v), 2) for v in lab]

    rows: dict[str, Any] = {}
    for region in regions:
        cut = [shapes[m] for m in marks[region.mark].get("without", ()) if m in shapes]
        xyz, falling = _pixels(scene, region, cut)
        if region.mark == "card":
            rows["card"] = {
                "true_lab": rounded(xyz_to_lab([NEUTRALS["grey 18 %"] * w for w in _white()])),
                "light": round(float(falling.mean()), 3),
            }
            continue
        rows[region.mark] = {
            "true_lab": rounded(xyz_to_lab(xyz.mean(axis=0))),
            "true_lab_median": rounded(np.median(xyz_to_lab(xyz), axis=0)),
            "true_lab_as_lit": rounded(xyz_to_lab((xyz * falling[:, None]).mean(axis=0))),
            "light": round(float(falling.mean()), 3),
        }
        for patch in picture.plumage.patchy:
            if patch.area == region.mark:
                rows[region.mark]["other_colour_share"] = round(_share(picture, patch, xyz), 3)
    light = picture.light
    return {
        "about": "Simulated photo of an invented bird; not evidence of how any real bird looks.",
        "club": _description()["club"],
        "bird": picture.bird,
        "painted_as": picture.painted_as,
        **({"sold_as": picture.sold_as} if picture.sold_as else {}),
        "scenario": picture.scenario,
        "seed": picture.seed,
        "lamp": light.illuminant,
        "camera": light.camera,
        "white_balance_error": list(light.white_balance_error),
        "exposure": light.exposure,
        "phone_strength": light.phone_strength,
        "local_gain": light.local_gain,
        "card": picture.setting.card,
        "how_true_lab": HOW_TRUE_LAB,
        "how_true_lab_median": HOW_MEDIAN,
        "how_true_lab_as_lit": HOW_AS_LIT,
        "marks": rows,
    }


def _white() -> npt.NDArray[np.float64]:
    from simulator.spectra import observer_weights

    return np.asarray(observer_weights("D65").sum(axis=0))


def _share(picture: Picture, patch: Patchy, xyz: npt.NDArray[np.float64]) -> float:
    """Share of pixels whose a*, b* lie nearer to the patch's material than to its area's."""
    light = picture.light
    palette = Palette.lit(
        light.illuminant, light.camera, light.white_balance_error, light.exposure, picture.seed
    )
    own, other = (
        xyz_to_lab(palette.mix(m)[3:]) for m in (picture.plumage.areas[patch.area], patch.mixture)
    )
    lab = xyz_to_lab(xyz)
    away = [np.hypot(*(lab[:, 1:] - one[1:]).T) for one in (own, other)]
    return float(np.mean(away[1] < away[0]))


def render_demo(
    folder: str | Path, names: Iterable[str] | None = None, height: int | None = None
) -> tuple[Path, ...]:
    """Write the demo: NAME.jpg, NAME.regions.json and NAME.truth.json for every picture.

    Parameters
    ----------
    folder : path
        Made when it is not there.
    names : iterable of str, optional
        Only these pictures.
    height : int, optional
        Picture height in pixels instead of each picture's own.

    Returns
    -------
    tuple of Path
        The photos. The same library versions give the same bytes every time.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    wanted = None if names is None else set(names)
    out = []
    for picture in pictures():
        if wanted is not None and picture.name not in wanted:
            continue
        rgb8, regions, truth = render_picture(picture, height)
        photo = folder / f"{picture.name}.jpg"
        data = phone.jpeg_bytes(rgb8, picture.quality, "Simulated photo of an invented bird")
        photo.write_bytes(data)
        region_set = RegionSet(
            photo.name, rgb8.shape[1], rgb8.shape[0], regions, hashlib.sha256(data).hexdigest()
        )
        write_region_file(region_set, folder / f"{picture.name}.regions.json")
        text = json.dumps({"photo": photo.name, **truth}, indent=1, ensure_ascii=False)
        (folder / f"{picture.name}.truth.json").write_text(text + "\n", encoding="utf-8")
        out.append(photo)
    return tuple(out)
