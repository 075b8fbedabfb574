"""Small drawings for those who do not read: our own, plain SVG, black on white, legible at a thumb's width.

Left a cross with what went wrong, right a tick with what is asked for, where two pictures say more than one.
"""

from __future__ import annotations

from html import escape

from pipeline.advice.kinds import Advice

_STYLE = 'fill="none" stroke="#1d1b19" stroke-width="2.4" stroke-linecap="round" stroke-linejoin="round"'
_BARK = "#d9c8ab"


def drawing(advice: Advice, label: str) -> str:
    """The drawing for an advice as one inline SVG element; ``label`` is its text alternative."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 160 80" width="160" height="80" role="img" '
        f'aria-label="{escape(label, quote=True)}"><g {_STYLE}>{_BODIES[advice]}</g></svg>'
    )


# ---------------------------------------------------------------- parts


def _at(x: float, y: float, body: str, scale: float = 1.0, turn_deg: float = 0.0) -> str:
    turn = f" rotate({turn_deg:g})" if turn_deg else ""
    size = f" scale({scale:g})" if scale != 1 else ""
    return f'<g transform="translate({x:g} {y:g}){turn}{size}">{body}</g>'


def _trunk(x: float, width: float = 26) -> str:
    left, right = x - width / 2, x + width / 2
    return (
        f'<path d="M{left:g} 2V78H{right:g}V2z" fill="{_BARK}" stroke="none"/>'
        f'<path d="M{left:g} 2V78M{right:g} 2V78" stroke-width="1.6"/>'
    )


_CARD = (
    '<rect x="-7" y="-15" width="14" height="30" fill="#fff" stroke-width="1.4"/>'
    '<path d="M-4 -12h8v8h-8zM-4 4h8v8h-8z" fill="#1d1b19" stroke="none"/>'
)
"""A site card, 14 wide and 30 high, its centre at the origin."""
_WOUND = '<ellipse cx="0" cy="0" rx="7" ry="10" fill="#6b4a2b" stroke-width="1.4"/>'
_PHONE = (
    '<rect x="-6" y="-10" width="12" height="20" rx="2.5" fill="#fff"/><circle cx="0" cy="-6" r="1.4" fill="#1d1b19"/>'
)
_PHONE_SIDE = '<rect x="-2.5" y="-10" width="5" height="20" rx="2" fill="#fff"/>'
_CROSS = '<path d="M-6 -6L6 6M6 -6L-6 6" stroke-width="3.6"/>'
_TICK = '<path d="M-7 0L-2 6L8 -7" stroke-width="3.6"/>'
_SUN = '<circle r="6" fill="#fff"/><path d="M0-10v-4M0 10v4M-10 0h-4M10 0h4M7-7l3-3M-7 7l-3 3M-7-7l-3-3M7 7l3 3"/>'
_FILE = '<path d="M-9-12h12l6 6v18h-18z" fill="#fff"/><path d="M3-12v6h6"/>'


def _site(x: float, y: float = 24, scale: float = 1.0) -> str:
    """Card with its wound below."""
    return _at(x, y, _CARD + _at(0, 30, _WOUND), scale)


def _frame(x: float, y: float, width: float, height: float) -> str:
    return f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" stroke-dasharray="5 4"/>'


def _arrow(x1: float, y1: float, x2: float, y2: float) -> str:
    """A level or upright arrow."""
    if y1 == y2:
        head = 6 if x2 < x1 else -6
        tip = f"M{x2 + head:g} {y2 - 5:g}L{x2:g} {y2:g}L{x2 + head:g} {y2 + 5:g}"
    else:
        head = 6 if y2 < y1 else -6
        tip = f"M{x2 - 5:g} {y2 + head:g}L{x2:g} {y2:g}L{x2 + 5:g} {y2 + head:g}"
    return f'<path d="M{x1:g} {y1:g}L{x2:g} {y2:g}{tip}"/>'


def _two(wrong: str, right: str) -> str:
    """What went wrong on the left, what is asked for on the right."""
    middle = '<path d="M80 6V74" stroke-width="1" stroke-dasharray="2 4"/>'
    return f"{wrong}{_at(66, 12, _CROSS)}{middle}{_at(80, 0, right)}{_at(148, 12, _TICK)}"


def _clock(hand: str) -> str:
    return f'<circle r="15" fill="#fff"/><path d="{hand}"/>'


_SHAKE = '<path d="M-12-6q-4 6 0 12M12-6q4 6 0 12M-17-9q-6 9 0 18M17-9q6 9 0 18" stroke-width="1.8"/>'

_BODIES: dict[Advice, str] = {
    Advice.CLOSER: _trunk(24)
    + _site(24)
    + _at(140, 40, _PHONE_SIDE)
    + _arrow(130, 40, 80, 40)
    + _at(66, 40, _PHONE_SIDE)
    + _at(66, 14, _TICK, 0.8)
    + _at(140, 14, _CROSS, 0.8),
    # seen from above: the trunk is a circle, the card a line on its near side
    Advice.STRAIGHTER: _two(
        f'<circle cx="30" cy="24" r="18" fill="{_BARK}"/><path d="M22 42h16" stroke-width="4.5"/>'
        + _at(66, 54, _PHONE_SIDE, 1, -60)
        + '<path d="M56 50L40 42" stroke-dasharray="3 4" stroke-width="1.6"/>',
        f'<circle cx="34" cy="24" r="18" fill="{_BARK}"/><path d="M26 42h16" stroke-width="4.5"/>'
        + _at(34, 70, _PHONE_SIDE, 1, 90)
        + '<path d="M34 64V46" stroke-dasharray="3 4" stroke-width="1.6"/>',
    ),
    Advice.SHADE: _trunk(34)
    + _site(34)
    + _at(134, 16, _SUN, 0.9)
    + '<circle cx="84" cy="22" r="8" fill="#fff"/><path d="M84 30V56M84 56L76 76M84 56L92 76M84 38L66 46"/>'
    + _at(60, 46, _PHONE_SIDE, 0.8)
    + '<path d="M118 24L98 34M120 32L102 42" stroke-width="1.8"/>',
    Advice.LIGHT: _two(
        '<rect x="14" y="6" width="40" height="68" fill="#1d1b19"/>' + _at(34, 40, _CARD, 0.9),
        _trunk(30) + _site(30) + _at(60, 40, _PHONE_SIDE) + '<path d="M54 36L44 30M54 40H44M54 44L44 50"/>',
    ),
    Advice.WIPE_CARD: _two(
        _at(34, 40, _CARD, 1.9)
        + '<path d="M22 26q8 6 14 0t12 6M24 48q6-6 12 2t10 0" stroke="#7a5a34" stroke-width="6"/>',
        _at(30, 40, _CARD, 1.9)
        + '<path d="M46 60q10-4 14 4l-14 8q-8-4 0-12z" fill="#fff"/><path d="M52 52l8-8M58 56l6-6"/>',
    ),
    Advice.WHOLE_WOUND: _two(
        _trunk(34) + _site(34) + _frame(12, 4, 44, 40),
        _trunk(34) + _site(34, 24) + _frame(12, 4, 44, 72),
    ),
    Advice.WHOLE_CARD: _two(
        _trunk(34) + _site(34) + _frame(12, 28, 44, 48),
        _trunk(34) + _site(34) + _frame(12, 4, 44, 72),
    ),
    Advice.HOLD_STILL: _two(
        _at(34, 42, _PHONE + _SHAKE, 1.4),
        _at(34, 42, _PHONE + _at(0, 2, _CARD, 0.3), 1.6) + '<path d="M34 76v-14M30 66l4-4l4 4" stroke-width="2"/>',
    ),
    Advice.ONE_CARD: _two(
        _trunk(24, 22) + _trunk(50, 22) + _at(24, 34, _CARD, 0.9) + _at(50, 34, _CARD, 0.9) + _frame(6, 8, 60, 64),
        _trunk(34) + _site(34) + _frame(12, 4, 44, 72),
    ),
    Advice.NO_MIRROR: _two(
        '<path d="M10 62L30 24V62zM58 62L38 24V62z" fill="#fff"/>' + '<path d="M34 16V72" stroke-dasharray="4 4"/>',
        _at(34, 42, _PHONE + _at(0, 2, _CARD, 0.3), 1.8),
    ),
    Advice.SET_CLOCK: _two(_at(34, 44, _clock("M0 0L-8 8M0 0V8"), 1.5), _at(34, 44, _clock("M0-10V0L7 4"), 1.5)),
    Advice.SEND_FILE: _two(
        '<path d="M10 26h46v28h-30l-8 10v-10h-8z" fill="#fff"/>' + _at(33, 40, _WOUND, 0.8),
        _at(34, 44, _FILE + _at(0, 2, _WOUND, 0.7), 1.7),
    ),
    Advice.SEND_AGAIN: _two(
        _at(34, 44, _FILE + '<path d="M-9 2l5-4l4 6l4-6l5 4" stroke-width="2"/>', 1.7),
        _at(20, 42, _PHONE, 1.3) + _arrow(34, 42, 48, 42) + _at(60, 42, _FILE, 0.9),
    ),
    Advice.PHOTO_ONLY: _two(
        _at(34, 44, _FILE + '<path d="M-4-3L6 3L-4 9z" fill="#1d1b19"/>', 1.7),
        _trunk(34) + _site(34) + _frame(12, 4, 44, 72),
    ),
    Advice.SMALLER: _two(_frame(6, 6, 52, 68) + _at(32, 40, _WOUND, 2.4), _frame(20, 24, 28, 36) + _at(34, 42, _WOUND)),
    Advice.ASK_OFFICE: '<circle cx="40" cy="24" r="9" fill="#fff"/>'
    '<path d="M40 33V58M40 58L31 76M40 58L49 76M40 42L58 48"/>'
    '<path d="M70 10h64v36h-44l-12 12v-12h-8z" fill="#fff"/>'
    '<path d="M92 22q2-8 10-8t10 8t-10 12v2M102 41v1" stroke-width="3"/>',
    Advice.TAKE_AGAIN: _trunk(40)
    + _site(40)
    + _at(96, 40, _PHONE, 1.5)
    + '<path d="M124 30a14 14 0 1 1-6 24" /><path d="M124 22v9h-9"/>',
}
