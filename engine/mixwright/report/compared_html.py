"""A comparison as one HTML file: no scripts, nothing fetched, readable on paper and by ear."""

from __future__ import annotations

from html import escape

from mixwright.comparing.compare import Compared
from mixwright.problem import one_line
from mixwright.report.compared import page_of
from mixwright.report.compared_page import Item, Part, Table
from mixwright.version import __version__

STYLE = """
:root { color-scheme: light dark; --line: #8884; --soft: #777; }
body { font: 1rem/1.5 system-ui, sans-serif; max-width: 62rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.5rem; margin-bottom: 0; }
h2 { font-size: 1.15rem; margin-top: 2.2rem; }
h3 { font-size: 1rem; margin-bottom: 0.2rem; }
code { font-family: ui-monospace, monospace; font-size: 0.92em; overflow-wrap: anywhere; }
ul { padding-left: 1.2rem; margin: 0.3rem 0; }
li { margin: 0.25rem 0; }
small { color: var(--soft); display: block; }
summary { font-weight: 600; margin-top: 1.2rem; cursor: pointer; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; margin: 0.6rem 0; }
th, td { border-bottom: 1px solid var(--line); padding: 0.25rem 0.7rem; text-align: right; }
th:first-child, td:first-child { text-align: left; }
thead th { border-bottom-width: 2px; }
footer { color: var(--soft); margin-top: 3rem; }
@media print { details > * { display: block; } }
"""


def compared_as_html(compared: Compared) -> str:
    """Return a comparison as a whole HTML page, which holds all it needs."""
    page = page_of(compared)
    title = f"The mix compared: {_text(page.title)}"
    parts = "\n".join(_part(part) for part in page.parts)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>{STYLE}</style>
</head>
<body>
<main>
<h1>{title}</h1>
<p><code>{_text(page.old)}</code> to <code>{_text(page.new)}</code></p>
{parts}
</main>
<footer>mixwright {_text(__version__)}</footer>
</body>
</html>
"""


def _text(text: str) -> str:
    return escape(one_line(text))


def _part(part: Part) -> str:
    said = []
    if part.lines:
        said.append(_list([_text(line) for line in part.lines]))
    for heading, items in part.items:
        said += [f"<h3>{_text(heading)}</h3>", _list([_item(item) for item in items])]
    if part.table is not None:
        said.append(_table(part.table, part.title))
    if part.folded:
        body = "\n".join(said)
        return f"<details>\n<summary>{_text(part.title)}</summary>\n{body}\n</details>"
    return "\n".join(["<section>", f"<h2>{_text(part.title)}</h2>", *said, "</section>"])


def _list(items: list[str]) -> str:
    return "\n".join(["<ul>", *(f"<li>{item}</li>" for item in items), "</ul>"])


def _item(item: Item) -> str:
    line = f"<strong>{_text(item.name)}</strong>: {_text(item.text)}"
    for more in filter(None, (item.reason, item.place)):
        line += f"<small>{_text(more)}</small>"
    return line


def _table(table: Table, title: str) -> str:
    head = "".join(f'<th scope="col">{_text(column)}</th>' for column in table.columns)
    rows = "\n".join(
        f'<tr><th scope="row">{_text(row[0])}</th>'
        + "".join(f"<td>{_text(cell)}</td>" for cell in row[1:])
        + "</tr>"
        for row in table.rows
    )
    # The region can be reached and scrolled by keyboard where it is wider than the page.
    opening = f'<div class="wide" role="region" tabindex="0" aria-label="{_text(title)}">'
    body = f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>"
    return f"{opening}\n<table>\n{body}\n</table>\n</div>"
