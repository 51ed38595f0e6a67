"""A sheet as one HTML file: nothing from outside, light, and laid out for A4 and Letter."""

from __future__ import annotations

from html import escape

from auditor.sheets.blocks import Block, Bullets, Chart, Heading, Sheet, Table, Text

_STYLE = """
:root { color-scheme: light; }
body { font: 10.5pt/1.4 "DejaVu Sans", Verdana, sans-serif; color: #1d2428; background: #fff; max-width: 180mm;
  margin: 10mm auto; padding: 0 4mm; }
h1 { font-size: 16pt; margin: 0; } h2 { font-size: 12pt; margin: 6mm 0 2mm; border-bottom: 1px solid #98a1a6; }
p { margin: 1.5mm 0; } .sub { color: #4a555b; } .warning { border-left: 3px solid #b5432c; padding-left: 3mm;
  font-weight: bold; }
table { border-collapse: collapse; width: 100%; font-size: 9pt; }
th, td { text-align: left; vertical-align: top; padding: 1mm 2mm; border-bottom: 1px solid #cfd5d8; }
th { border-bottom-color: #4a555b; } .right { text-align: right; } .wide { overflow-x: auto; }
td:empty { min-width: 22mm; }
svg { width: 100%; height: auto; font-family: "DejaVu Sans", Verdana, sans-serif; } figure { margin: 2mm 0; }
footer { margin-top: 8mm; font-size: 8pt; color: #4a555b; overflow-wrap: anywhere; }
@page { margin: 15mm; }
@media print { body { margin: 0; max-width: none; padding: 0; } h2, tr, figure { break-inside: avoid; }
  h2 { break-after: avoid; } }
"""


def as_html(sheet: Sheet) -> str:
    """The file's text."""
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(sheet.title)}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{_STYLE}</style></head><body><main><h1>{escape(sheet.title)}</h1>"
        f'<p class="sub">{escape(sheet.subtitle)}</p>{"".join(map(_block, sheet.blocks))}</main>'
        f"<footer>{escape(sheet.foot)}</footer></body></html>\n"
    )


def _block(block: Block) -> str:
    match block:
        case Heading(text):
            return f"<h2>{escape(text)}</h2>"
        case Text(text, warning):
            return f'<p class="warning">{escape(text)}</p>' if warning else f"<p>{escape(text)}</p>"
        case Bullets(items):
            return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>"
        case Chart(svg, _):
            return f"<figure>{svg}</figure>"
        case Table():
            return _table(block)


def _table(table: Table) -> str:
    def row(cells: tuple[str, ...], tag: str) -> str:
        made = (
            f"<{tag}{' class=right' if number in table.right else ''}>{escape(cell)}</{tag}>"
            for number, cell in enumerate(cells)
        )
        return f"<tr>{''.join(made)}</tr>"

    body = "".join(row(cells, "td") for cells in table.rows)
    return f'<div class="wide"><table><thead>{row(table.head, "th")}</thead><tbody>{body}</tbody></table></div>'
