"""One self-contained page: picture, text, tables; nothing is fetched from anywhere."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from cuesync.report.tables import Table

_STYLE = """
body { font-family: system-ui, sans-serif; line-height: 1.45; color: #1a1a1a; background: #fff;
  max-width: 62rem; margin: 1.5rem auto; padding: 0 1rem; }
figure { margin: 1rem 0; } figure svg { width: 100%; height: auto; }
table { border-collapse: collapse; margin: 1.5rem 0; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-weight: bold; padding-bottom: .4rem; }
th, td { padding: .2rem .9rem .2rem 0; border-bottom: 1px solid #bbb; text-align: left; vertical-align: top; }
th.number, td.number { text-align: right; }
@media print { body { margin: 0; max-width: none; } table { break-inside: avoid; } }
"""


def html_page(
    title: str, description: str, drawing: str, tables: Sequence[Table], notes: Sequence[str]
) -> str:
    """A whole page: heading, the picture in words, the drawing (inline SVG), then tables and notes."""
    body = "".join(_html_table(table) for table in tables if table.rows)
    if notes:
        items = "".join(f"<li>{escape(each)}</li>\n" for each in notes)
        body += f"<h2>Notes</h2>\n<ul>\n{items}</ul>\n"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        f"<h1>{escape(title)}</h1>\n<p>{escape(description)}</p>\n"
        f"<figure>\n{drawing}</figure>\n{body}</body>\n</html>\n"
    )


def _html_table(table: Table) -> str:
    def cell(tag: str, place: int, text: str, extra: str = "") -> str:
        number = "" if place in table.words else ' class="number"'
        return f"<{tag}{extra}{number}>{escape(text)}</{tag}>"

    head = "".join(cell("th", place, text, ' scope="col"') for place, text in enumerate(table.headers))
    rows = "".join(
        "<tr>" + "".join(cell("td", place, text) for place, text in enumerate(row)) + "</tr>\n"
        for row in table.rows
    )
    return (
        f"<table>\n<caption>{escape(table.caption)}</caption>\n<thead><tr>{head}</tr></thead>\n"
        f"<tbody>\n{rows}</tbody>\n</table>\n"
    )
