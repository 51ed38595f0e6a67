"""The drawings of a sheet, as SVG without anything from outside; every text in them is the program's own.

They hold lines, rectangles and Latin-1 text only, which a browser and the PDF library draw alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, HEIGHT = 680.0, 250.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 96.0, 12.0, 44.0
INK, RULE, LIMIT = "#2b3338", "#cfd5d8", "#b5432c"
LINES = ("#2f6390", "#8a5a2b", "#5c4d8c", "#4b6b2c", "#7a2f5d")
DASHES = ("", "6 3", "2 3", "8 3 2 3", "1 2")
SIZE = 10
#: Steps between ticks [V], and at most so many of them.
STEPS_V, MOST_TICKS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0), 8


@dataclass(frozen=True)
class Line:
    """One line: its name, and points (x from 0 to 1, volts); None in place of volts breaks it."""

    name: str
    points: tuple[tuple[float, float | None], ...]


def chart(
    lines: Sequence[Line], limits: Sequence[tuple[float, str]], ticks: Sequence[tuple[float, str]], label: str
) -> str:
    """Draw lines over volts with limits across; `ticks` are (x, word). Limits far outside the lines are left out."""
    values = [v for line in lines for _, v in line.points if v is not None]
    low, high = min(values), max(values)
    room = max(high - low, 1.0)
    shown = [(v, word) for v, word in limits if low - 1.5 * room <= v <= high + 1.5 * room]
    low, high = min([low, *(v for v, _ in shown)]), max([high, *(v for v, _ in shown)])
    pad = 0.08 * max(high - low, 1.0)
    low, high = low - pad, high + pad

    def y(volts: float) -> float:
        return TOP + (high - volts) / (high - low) * (HEIGHT - TOP - BOTTOM)

    def x(place: float) -> float:
        return LEFT + place * (WIDTH - LEFT - RIGHT)

    parts = [*_grid(low, high, y), *_ticks(ticks, x)]
    for volts, word in shown:
        parts.append(_line(LEFT, y(volts), WIDTH - RIGHT, y(volts), LIMIT, "5 3"))
        parts.append(_text(WIDTH - RIGHT + 4, y(volts) + 3, word, colour=LIMIT))
    for number, line in enumerate(lines):
        parts += _drawn(line, number, x, y)
    for number, line in enumerate(lines):
        parts += _legend(line.name, number)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-label="{label}">'
        f"{''.join(parts)}</svg>"
    )


def _grid(low: float, high: float, y: object) -> list[str]:
    step = next((s for s in STEPS_V if (high - low) / s <= MOST_TICKS), STEPS_V[-1])
    parts, volts = [], step * (low // step + 1)
    while volts < high:
        at = y(volts)  # type: ignore[operator]
        parts += [_line(LEFT, at, WIDTH - RIGHT, at, RULE), _text(LEFT - 4, at + 3, f"{volts:g} V", "end")]
        volts += step
    return parts


def _ticks(ticks: Sequence[tuple[float, str]], x: object) -> list[str]:
    return [_text(x(place), HEIGHT - BOTTOM + 14, word, "middle") for place, word in ticks]  # type: ignore[operator]


def _drawn(line: Line, number: int, x: object, y: object) -> list[str]:
    pieces: list[list[str]] = [[]]
    for place, volts in line.points:
        if volts is None:
            pieces.append([])
        else:
            pieces[-1].append(f"{x(place):.1f},{y(volts):.1f}")  # type: ignore[operator]
    dash = f' stroke-dasharray="{DASHES[number % 5]}"' if DASHES[number % 5] else ""
    return [
        f'<polyline points="{" ".join(piece)}" fill="none" stroke="{LINES[number % 5]}" stroke-width="1.6"{dash}/>'
        for piece in pieces
        if len(piece) > 1
    ]


def _legend(name: str, number: int) -> list[str]:
    at, colour = LEFT + 4 + 140 * number, LINES[number % 5]
    return [
        _line(at, HEIGHT - 9.5, at + 22, HEIGHT - 9.5, colour, DASHES[number % 5]),
        _text(at + 27, HEIGHT - 6, name, colour=colour),
    ]


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" stroke-width="0.8"{dashed}/>'
    )


def _text(x: float, y: float, text: str, anchor: str = "start", colour: str = INK) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{SIZE}" text-anchor="{anchor}" fill="{colour}">{text}</text>'
