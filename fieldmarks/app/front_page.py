"""The page that a browser loads first, and what lets a phone keep it on its home screen.

Streamlit's own page is empty until its scripts are here; ours says what comes. The manifest (W3C
Web Application Manifest) and its icons hold nothing of anybody's: they need no session.
"""

import hashlib
import io
import json
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path

from PIL import Image, ImageDraw
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from streamlit import file_util

from fieldmarks.app.page import TITLES
from fieldmarks.app.sign_in import HOME
from fieldmarks.report.theme import LIGHT

HERE = Path(__file__).parent
SIZES = (180, 192, 512)
PAGES = ("", *TITLES, "club", "sign-out")
HEAD = """<title>fieldmarks</title>
    <link rel="icon" href="/home-screen/icon-192.png">
    <link rel="apple-touch-icon" href="/home-screen/icon-180.png">
    <link rel="manifest" href="/home-screen/manifest.webmanifest">
    <meta name="theme-color" content="{accent}">
    <script src="/scripts/arrive.js?{print}"></script>
    <script>
      navigator.serviceWorker?.register("/worker.js").catch(() => {{}});
    </script>
"""
WAIT = """<div id="root"><p style="font:1.1rem/1.5 system-ui;margin:20vh auto;max-width:24rem;
      padding:0 1rem">fieldmarks is being loaded ...</p></div>"""


def _print(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12]


@cache
def front_page() -> str:
    """Streamlit's page with our name, icons and script in it; what is not found in it stays out."""
    text = (Path(file_util.get_static_dir()) / "index.html").read_text(encoding="utf-8")
    script = (HERE / "arrive.js").read_text(encoding="utf-8")
    head = HEAD.format(accent=LIGHT["accent"], print=_print(script))
    text = text.replace('<link rel="shortcut icon" href="./favicon.png" />', "")
    text = text.replace("<title>Streamlit</title>", head)
    return text.replace('<div id="root"></div>', WAIT)


@cache
def icon(size: int) -> bytes:
    """An eye with its pale ring, over three swatches, as PNG."""
    unit, big = 4 * size / 100, 4 * size
    picture = Image.new("RGB", (big, big), LIGHT["accent"])
    draw = ImageDraw.Draw(picture)
    for radius, colour in ((27, "#ffffff"), (18, "#17181b"), (5, "#ffffff")):
        x, y = (44 * unit, 32 * unit) if radius == 5 else (50 * unit, 40 * unit)
        r = radius * unit
        draw.ellipse((x - r, y - r, x + r, y + r), fill=colour)
    for place, colour in enumerate(("#f2c230", "#e2703a", "#5b9a4a")):
        left = (26 + 17 * place) * unit
        draw.rectangle((left, 72 * unit, left + 14 * unit, 82 * unit), fill=colour)
    out = io.BytesIO()
    picture.resize((size, size), Image.Resampling.LANCZOS).save(out, "PNG")
    return out.getvalue()


def manifest() -> str:
    """What a browser needs to keep the app on a home screen, as JSON."""
    icons = [
        {
            "src": f"{HOME}icon-{size}.png",
            "sizes": f"{size}x{size}",
            "type": "image/png",
            "purpose": "any maskable",
        }
        for size in SIZES
    ]
    colours = {"theme_color": LIGHT["accent"], "background_color": LIGHT["paper"]}
    shown = {"name": "fieldmarks", "start_url": "/", "display": "standalone"}
    return json.dumps(shown | colours | {"icons": icons})


@cache
def sheet() -> str:
    """What to photograph and to ask in a shop, as one page that needs nothing else."""
    from fieldmarks.app.birds.shared import tables
    from fieldmarks.birds.buying import shop_sheet_page

    return shop_sheet_page(tables())


def _worker() -> str:
    return (HERE / "worker.js").read_text(encoding="utf-8").replace("$print", _print(sheet()))


def _route(path: str, make: Callable[[], str | bytes], kind: str, kept: str = "no-cache") -> Route:
    def give(_: Request) -> Response:
        return Response(make(), media_type=kind, headers={"Cache-Control": kept})

    return Route(path, give)


FOR_EVER = "public, immutable, max-age=31536000"  # an address that names the print of what it gives
routes = [
    *(_route(f"/{name}", front_page, "text/html") for name in PAGES),
    _route(f"{HOME}manifest.webmanifest", manifest, "application/manifest+json"),
    *(
        _route(f"{HOME}icon-{size}.png", partial(icon, size), "image/png", "public, max-age=86400")
        for size in SIZES
    ),
    _route("/scripts/arrive.js", (HERE / "arrive.js").read_bytes, "text/javascript", FOR_EVER),
    _route("/worker.js", _worker, "text/javascript"),
    _route("/sheet", sheet, "text/html"),
]
