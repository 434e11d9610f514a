"""The chain from flower to hybrid, drawn as a branch that loses width at every step."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from crossproof.report.content.numbers import share


@dataclass(frozen=True)
class Link:
    """One station: its count, its name, how it follows from the one before, and what was lost on the way.

    `width` is the share of pollinated flowers still on the way to a hybrid here, between 0 and 1, or None
    where the records do not say.
    """

    glyph: str
    number: str
    label: str
    step: str
    lost: str
    width: float | None


_GLYPHS = {
    "flower": '<g class="g-line"><circle r="4.4"/>'
    + "".join(
        f'<ellipse cx="0" cy="-11.4" rx="5.6" ry="7.4" transform="rotate({72 * i})"/>' for i in range(5)
    )
    + "</g>",
    "pod": '<g class="g-line"><path d="M-15 9C-9 15 6 12 15-9C9-14-9-4-15 9Z"/><circle cx="-6.6" cy="6.4" '
    'r="3"/>'
    '<circle cx="0.8" cy="1.4" r="3.2"/><circle cx="7.4" cy="-4.6" r="2.7"/><path d="M15-9L19-14"/></g>',
    "seed": '<g class="g-line"><path d="M-12 3C-12-9 6-12 11-4C14 1 9 4 6 4C3 4 3 7 0 10C-6 14-12 10-12 3Z"/>'
    '<path d="M1 3C3 1 5 1 7 2"/></g>',
    "plant": '<g class="g-line"><path d="M0 16V-2"/><path d="M0 4C-12 4-14-6-14-10C-4-11 0-4 0 4Z"/>'
    '<path d="M0-2C0-10 6-15 14-14C14-6 8-2 0-2Z"/><path d="M-9 16H9"/></g>',
}


def chain_svg(links: list[Link], title: str) -> str:
    """The chain as SVG, 960 wide; the branch's thickness is the share of flowers still on the way."""
    step = 960 / len(links)
    half, middle = 34.0, 128.0
    parts = [
        f'<svg viewBox="0 0 960 240" role="img" aria-label="{escape(title)}" class="chain" '
        'xmlns="http://www.w3.org/2000/svg">'
    ]
    known = [link.width for link in links]
    if known[0] is not None:
        ends = ((0.0, step / 2, known[0]), (960 - step / 2, 960.0, known[-1]))
        parts += [
            f'<path class="branch" d="M{a:.1f} '
            f'{middle - half * w:.1f}H{b:.1f}V{middle + half * w:.1f}H{a:.1f}Z"/>'
            for a, b, w in ends
            if w is not None
        ]
    for i in range(len(links) - 1):
        a, b = known[i], known[i + 1]
        x0, x1 = step * (i + 0.5), step * (i + 1.5)
        if a is None or b is None:
            parts.append(f'<path class="branch-unknown" d="M{x0:.0f} {middle}H{x1:.0f}"/>')
            continue
        ha, hb, mid = max(half * a, 1.5), max(half * b, 1.5), (x0 + x1) / 2
        parts.append(
            f'<path class="branch" d="M{x0:.1f} {middle - ha:.1f}C{mid:.1f} {middle - ha:.1f} {mid:.1f} '
            f"{middle - hb:.1f} {x1:.1f} {middle - hb:.1f}V{middle + hb:.1f}C{mid:.1f} {middle + hb:.1f} "
            f"{mid:.1f} "
            f'{middle + ha:.1f} {x0:.1f} {middle + ha:.1f}Z"/>'
        )
    for i, link in enumerate(links):
        x = step * (i + 0.5)
        parts.append(f'<circle class="station" cx="{x:.1f}" cy="{middle}" r="27"/>')
        parts.append(f'<g transform="translate({x:.1f} {middle})">{_GLYPHS[link.glyph]}</g>')
        parts.append(
            f'<text class="chain-number" x="{x:.1f}" y="44" text-anchor="middle">{escape(link.number)}</text>'
        )
        parts.append(
            f'<text class="chain-label" x="{x:.1f}" y="66" text-anchor="middle">{escape(link.label)}</text>'
        )
        if link.width is not None and i:
            parts.append(
                f'<text class="chain-lost" x="{x:.1f}" y="190" text-anchor="middle">'
                f"{escape(share(link.width))} of flowers</text>"
            )
        if i:
            gap = step * i
            parts.append(
                f'<text class="chain-step" x="{gap:.1f}" y="212" '
                f'text-anchor="middle">{escape(link.step)}</text>'
            )
            parts.append(
                f'<text class="chain-lost" x="{gap:.1f}" y="230" '
                f'text-anchor="middle">{escape(link.lost)}</text>'
            )
    parts.append("</svg>")
    return "".join(parts)
