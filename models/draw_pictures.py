"""Draw the pictures of models/README.md, from the models themselves: python models/draw_pictures.py [folder]."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from axlewright_models.driveline import DriveAxle, Driveline, Run, Shaft, angles_at
from axlewright_models.lube import ViscosityLaw
from axlewright_models.orders import Train, order_frequencies
from axlewright_models.thermal import Axle, Duty, warm_up

Array = NDArray[np.float64]

WIDTH, HEIGHT = 760, 420
LEFT, RIGHT, TOP, BOTTOM = 62, 168, 40, 48
# Told apart by dash as well as by shade, so that a grey print still reads.
SHADES = ("#1b4965", "#bc4b51", "#5b8e7d", "#8c6bb1", "#b07d2b", "#444444", "#2a9d8f", "#9d4e15", "#6d6d00")
DASHES = ("", "7 3", "2 3", "9 3 2 3")


@dataclass(frozen=True)
class Axis:
    """One axis of a picture: its title, its ends, and the step of its marks."""

    title: str
    low: float
    high: float
    step: float

    @property
    def marks(self) -> Array:
        """Return where the marks are."""
        return np.arange(self.low, self.high + 0.5 * self.step, self.step)

    def part(self, value: float) -> float:
        """Return how far along the axis a value lies, 0 to 1."""
        return (value - self.low) / (self.high - self.low)


def picture(title: str, across: Axis, up: Axis, x: Array, lines: Mapping[str, Array]) -> str:
    """Return a line picture as SVG; each line is named at its right end."""

    def at(value_x: float, value_y: float) -> tuple[float, float]:
        inner_x, inner_y = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
        return LEFT + across.part(value_x) * inner_x, HEIGHT - BOTTOM - up.part(value_y) * inner_y

    def text(x: float, y: float, words: str, anchor: str = "middle", more: str = "") -> str:
        return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" {more}>{words}</text>'

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif"'
        ' font-size="12">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        text(LEFT, 22, title, "start", 'font-size="14" font-weight="bold"'),
    ]
    for mark in across.marks:
        (x_low, y_low), (_, y_high) = at(mark, up.low), at(mark, up.high)
        parts.append(f'<path d="M{x_low:.1f} {y_low:.1f}V{y_high:.1f}" stroke="#ddd"/>')
        parts.append(text(x_low, y_low + 17, f"{mark:g}"))
    for mark in up.marks:
        (x_low, y_low), (x_high, _) = at(across.low, mark), at(across.high, mark)
        parts.append(f'<path d="M{x_low:.1f} {y_low:.1f}H{x_high:.1f}" stroke="#ddd"/>')
        parts.append(text(x_low - 7, y_low + 4, f"{mark:g}", "end"))
    parts.append(text(0.5 * (LEFT + WIDTH - RIGHT), HEIGHT - 10, across.title))
    parts.append(
        text(0, 0, up.title, more=f'transform="translate(16 {0.5 * (TOP + HEIGHT - BOTTOM):.0f}) rotate(-90)"')
    )
    labels = _spread([at(x[-1], float(y[-1]))[1] for y in lines.values()])
    for number, ((name, y), label) in enumerate(zip(lines.items(), labels, strict=True)):
        shade, dash = SHADES[number % len(SHADES)], DASHES[number % len(DASHES)]
        points = [at(float(one), float(other)) for one, other in zip(x, y, strict=True)]
        path = "L".join(f"{one:.1f} {other:.1f}" for one, other in points)
        parts.append(f'<path d="M{path}" fill="none" stroke="{shade}" stroke-width="1.8" stroke-dasharray="{dash}"/>')
        parts.append(text(points[-1][0] + 7, label + 4, name, "start", f'fill="{shade}"'))
    return "\n".join([*parts, "</svg>", ""])


def _spread(heights: list[float], gap: float = 14.0) -> list[float]:
    """Return the heights of labels, moved apart where they would overlap."""
    moved = list(heights)
    above = -np.inf
    for number in sorted(range(len(heights)), key=lambda one: heights[one]):
        moved[number] = max(moved[number], above + gap)
        above = moved[number]
    return moved


def joint_angles() -> str:
    """Return the picture of joint angles against ride height, both drive axles sinking alike."""
    forward = DriveAxle(2, 3.2, 620.0, 45.0, input_ahead_mm=400.0, output_behind_mm=350.0)
    rear = DriveAxle(3, 3.6, 620.0, 45.0, input_ahead_mm=400.0, output_behind_mm=350.0)
    line = Driveline(3.0, (Run((Shaft(1620.0, 5.2),), forward), Run((Shaft(780.0, 5.4),), rear)))
    change = np.arange(-40.0, 40.5, 1.0)
    angles = angles_at(line, np.stack([change, change], axis=-1)).joints_deg
    lines = {name: angles[:, number] for number, name in enumerate(line.joint_names)}
    lines["usual greatest, 3 degrees"] = np.full(change.size, 3.0)
    return picture(
        "Working angle of each joint against ride height (trailing arms)",
        Axis("ride height less the specified one, both drive axles [mm]", -40, 40, 10),
        Axis("joint angle [degrees]", 0, 10, 1),
        change,
        lines,
    )


def order_map() -> str:
    """Return the picture of frequencies against road speed, in a gear of 0.73."""
    speed = np.arange(0.0, 111.0, 1.0)
    frequencies = order_frequencies(speed, Train(313.0, 41, 12), gear_ratio=0.73)
    shown = {name: values for name, values in frequencies.items() if values[-1] <= 140.0}
    return picture(
        "Order map: tyre 313 turns per km, 41 to 12 teeth, gear 0.73",
        Axis("road speed [km/h]", 0, 110, 10),
        Axis("frequency [Hz]", 0, 140, 20),
        speed,
        shown,
    )


def lube_warm_up() -> str:
    """Return the picture of lube temperature after a cold start, one duty throughout: a sound axle and four others."""
    start_cel = -10.0
    # 86 km/h with 300 N.m at a pinion turning 150 rad/s: 45 kW through this axle.
    sound, cruise = Axle(), Duty(speed_m_s=24.0, torque_n_m=300.0, shaft_speed_rad_s=150.0, ambient_cel=start_cel)
    thicker = ViscosityLaw.through((40.0, 180.0), (100.0, 26.0))
    cases = {
        "lube filled to 10 %": (replace(sound, fill=0.1), cruise),
        "dragging brake, 1 kW": (sound, replace(cruise, drag_w=1000.0)),
        "lube filled to 30 %": (replace(sound, fill=0.3), cruise),
        "75W-140 for 75W-90": (replace(sound, lube=thicker), cruise),
        "sound axle": (sound, cruise),
    }
    minutes = np.arange(0.0, 181.0, 1.0)
    lines = {name: warm_up(axle, duty, start_cel, 60.0 * minutes)[0] for name, (axle, duty) in cases.items()}
    lines["its housing"] = warm_up(sound, cruise, start_cel, 60.0 * minutes)[1]
    return picture(
        "Predicted lube warm-up after a cold start at -10 Cel (86 km/h, 45 kW)",
        Axis("time driven [min]", 0, 180, 20),
        Axis("lube temperature [Cel]", -20, 100, 20),
        minutes,
        lines,
    )


PICTURES = {"joint-angles.svg": joint_angles, "order-map.svg": order_map, "warm-up.svg": lube_warm_up}


def main() -> int:
    """Draw every picture into the folder named on the command line, or beside this script."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    for name, draw in PICTURES.items():
        (folder / name).write_text(draw(), encoding="utf-8")
        print(folder / name)
    return 0


if __name__ == "__main__":
    sys.exit(main())
