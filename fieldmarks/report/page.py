"""A report, or a sheet, as one HTML page: no scripts, no links outside, pictures inside.

Everything that came from a file or a keeper is escaped, and the page's own policy forbids scripts.
"""

import base64
import itertools
from collections.abc import Iterable, Iterator, Sequence

from fieldmarks.record import AnyRecord
from fieldmarks.report import blocks as part
from fieldmarks.report.content import report_content
from fieldmarks.report.drawings import icon_parts
from fieldmarks.report.glossary import link_words
from fieldmarks.report.svg import escape, renamed
from fieldmarks.report.theme import theme_css
from fieldmarks.rules import Tables

POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; "
    "form-action 'none'"
)
LONGEST = 2000  # characters of one paragraph or cell
CSS = """
*{box-sizing:border-box}
body{margin:0 auto;padding:16px;max-width:52rem;background:var(--fm-paper);color:var(--fm-ink);
font:17px/1.5 system-ui,-apple-system,'Segoe UI',Roboto,'DejaVu Sans',sans-serif;
overflow-wrap:anywhere}
h1{font-size:1.6rem;line-height:1.2;margin:.4rem 0}
h2{font-size:1.25rem;line-height:1.25;margin:2.2rem 0 .5rem;padding-top:.6rem;
border-top:2px solid var(--fm-line)}
h3{font-size:1.05rem;line-height:1.3;margin:1.4rem 0 .4rem}
p,ul,dl,figure{margin:.5rem 0}
ul{padding-left:1.3rem}
li{margin:.3rem 0}
.icons,.ticks{list-style:none;padding:0}
.ticks label{display:flex;gap:.6rem;padding:.2rem 0}
.ticks input{flex:none;width:22px;height:22px;margin:2px 0 0}
.icons li{display:flex;gap:.6rem}
.icons svg{flex:none;width:22px;height:22px;margin-top:2px}
.strong{font-size:1.15rem;font-weight:600;background:var(--fm-panel);
border-left:6px solid var(--fm-accent);padding:.7rem .9rem;border-radius:4px}
nav ul{list-style:none;padding:0;display:flex;flex-wrap:wrap;gap:.1rem 1rem}
nav li{margin:0}
nav a{display:inline-block;padding:.3rem 0}
a{color:var(--fm-accent)}
a.fm-word{color:inherit;text-decoration:underline dotted;text-underline-offset:3px}
:focus-visible{outline:3px solid var(--fm-accent);outline-offset:2px}
dt{color:var(--fm-soft);font-size:.9rem}
dd{margin:0 0 .5rem}
.photo img{display:block;max-width:100%;height:auto;border:1px solid var(--fm-line)}
.wide{overflow-x:auto;overflow-wrap:normal;margin:.6rem 0}
table{border-collapse:collapse;font-size:.93rem}
caption{text-align:left;color:var(--fm-soft);padding:.3rem 0;max-width:calc(100vw - 34px)}
th,td{padding:.3rem .55rem;border-bottom:1px solid var(--fm-line);text-align:right;
white-space:nowrap;vertical-align:top}
thead th{color:var(--fm-soft);font-weight:600}
th:first-child,td.words{text-align:left}
td.words{white-space:normal;min-width:14rem}
.patch{display:inline-block;width:1.5em;height:1em;border:1px solid var(--fm-line);
vertical-align:-2px;margin-right:.5em}
figure svg{display:block}
figcaption{font-size:.93rem;color:var(--fm-soft)}
figcaption strong{display:block;font-size:1.05rem;color:var(--fm-ink)}
.group{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(19rem,100%),1fr));
gap:.2rem 1.5rem;padding:.7rem 0;border-bottom:1px solid var(--fm-line);break-inside:avoid}
details{margin:.7rem 0;border:1px solid var(--fm-line);border-radius:6px;padding:0 .8rem}
summary{cursor:pointer;padding:.6rem 0;font-weight:600}
@media (max-width:480px){table{font-size:.85rem}th,td{padding:.3rem .3rem}
.patch{width:1em;margin-right:.3em}}
@page{size:A4;margin:16mm}
@media print{body{padding:0;max-width:none;font-size:10.5pt}nav{display:none}
caption{max-width:none}h2,h3{break-after:avoid}figure,tr,li{break-inside:avoid}
.wide{overflow:visible}table{font-size:8.5pt}td.words{min-width:0}th,td{padding:.15rem .3rem}
details::details-content{content-visibility:visible;height:auto}
.photo img{max-height:200mm}}
"""


def report_page(record: AnyRecord, photo_jpeg: bytes | Sequence[bytes], tables: Tables) -> str:
    """A record as one self-contained HTML page; arguments and errors as :func:`report_content`."""
    return content_page(report_content(record, photo_jpeg, tables))


def content_page(content: part.Content) -> str:
    """Blocks as one self-contained HTML page."""
    numbers = itertools.count(1)
    title, about = escape(content.title), escape(content.about, 120)
    links = [(section.key, section.title) for section in content.sections]
    body = "".join(
        f'<section aria-labelledby="{section.key}"><h2 id="{section.key}">{escape(section.title)}'
        f"</h2>{_blocks(section.blocks, numbers)}</section>"
        for section in content.sections
    )
    if content.words:
        links.append(("words", "Words used here"))
        rows = "".join(
            f'<dt id="{row.anchor}">{escape(row.word)}</dt><dd>{escape(row.text)}</dd>'
            for row in content.words
        )
        body += f'<section><h2 id="words">Words used here</h2><dl>{rows}</dl></section>'
    items = "".join(f'<li><a href="#{key}">{escape(said)}</a></li>' for key, said in links)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        '<meta name="referrer" content="no-referrer">'
        f"<title>{title}: {about}</title>"
        f"<style>{theme_css()}{CSS}</style></head><body>"
        f"<header><h1>{title}</h1><p><bdi>{about}</bdi></p>"
        f'<nav aria-label="Parts of this page"><ul>{items}</ul></nav></header>'
        f"<main>{body}</main></body></html>\n"
    )


def _blocks(blocks: Iterable[part.Block], numbers: Iterator[int]) -> str:
    return "".join(_block(block, numbers) for block in blocks)


def _block(block: part.Block, numbers: Iterator[int]) -> str:
    match block:
        case part.Para():
            look = ' class="strong"' if block.strong else ""
            return f"<p{look}>{link_words(block.text, LONGEST)}</p>"
        case part.Title():
            return f"<h3>{escape(block.text)}</h3>"
        case part.Bullets():
            return _bullets(block)
        case part.Facts():
            rows = "".join(
                f"<dt>{escape(name)}</dt><dd><bdi>{escape(value)}</bdi></dd>"
                for name, value in block.rows
            )
            return f"<dl>{rows}</dl>"
        case part.Grid():
            return _grid(block, next(numbers))
        case part.Figure():
            name = f"<strong>{escape(block.name)}</strong> " if block.name else ""
            caption = f"<figcaption>{name}{escape(block.caption, LONGEST)}</figcaption>"
            drawing = renamed(block.drawing, f"fm-{next(numbers)}-")
            return f"<figure>{caption if name or block.caption else ''}{drawing}</figure>"
        case part.Picture():
            jpeg = base64.b64encode(block.jpeg).decode("ascii")
            return (
                f'<figure class="photo"><img src="data:image/jpeg;base64,{jpeg}" '
                f'alt="{escape(block.alt, LONGEST)}"></figure>'
            )
        case part.Group():
            return f'<div class="group">{_blocks(block.blocks, numbers)}</div>'
        case part.More():
            inner = _blocks(block.blocks, numbers)
            return f"<details><summary>{escape(block.summary)}</summary>{inner}</details>"


def _bullets(block: part.Bullets) -> str:
    texts = [f"<span>{link_words(item, LONGEST)}</span>" for item in block.items]
    if block.to_tick:
        ticks = (f'<li><label><input type="checkbox">{item}</label></li>' for item in texts)
        return f'<ul class="ticks">{"".join(ticks)}</ul>'
    if not block.icons:
        return f"<ul>{''.join(f'<li>{item}</li>' for item in texts)}</ul>"
    items = "".join(
        f'<li><svg viewBox="0 0 20 20" aria-hidden="true">{icon_parts(icon)}</svg>{item}</li>'
        for icon, item in zip(block.icons, texts, strict=True)
    )
    return f'<ul class="icons">{items}</ul>'


def _grid(grid: part.Grid, number: int) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in grid.head)
    patches = [f'<span class="patch" style="background:{code}"></span>' for code in grid.colours]
    rows = "".join(
        f'<tr><th scope="row">{patch}<bdi>{escape(name)}</bdi></th>{"".join(map(_cell, cells))}'
        "</tr>"
        for patch, (name, *cells) in zip(patches or [""] * len(grid.rows), grid.rows, strict=True)
    )
    return (
        f'<div class="wide" role="region" tabindex="0" aria-labelledby="grid{number}"><table>'
        f'<caption id="grid{number}">{escape(grid.caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _cell(cell: str) -> str:
    kind = ' class="words"' if len(cell) > 20 else ""
    return f"<td{kind}>{escape(cell)}</td>"
