"""A comparison as one HTML file: no scripts, nothing fetched, readable on paper and by ear."""

from __future__ import annotations

from mixwright.comparing.compare import Compared
from mixwright.escaping import html_text
from mixwright.report.compared import parts_of
from mixwright.report.page import part_as_html
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
    title = f"The mix compared: {html_text(compared.title)}"
    parts = "\n".join(map(part_as_html, parts_of(compared)))
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
<p><code>{html_text(compared.old)}</code> to <code>{html_text(compared.new)}</code></p>
{parts}
</main>
<footer>mixwright {html_text(__version__)}</footer>
</body>
</html>
"""
