"""One page and one contact sheet on what was done: pictures before and after, and the numbers."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw, ImageFont

GROUND, TEXT, QUIET, ACCENT = "#1d1c1a", "#d9d5cc", "#98938a", "#8fb4cf"

STYLE = f"""
:root {{ color-scheme: dark; }}
body {{ margin: 0; background: {GROUND}; color: {TEXT}; font: 17px/1.5 Georgia, 'DejaVu Serif', serif; }}
main {{ max-width: 1240px; margin: 0 auto; padding: 40px 28px 80px; }}
h1 {{ font-weight: normal; font-size: 34px; margin: 0 0 4px; }}
h2 {{ font-weight: normal; font-size: 24px; margin: 64px 0 10px; }}
p.lead {{ color: {QUIET}; margin: 0 0 28px; }}
.pair {{ display: grid; grid-template-columns: 1fr 1fr; gap: 14px; align-items: start; }}
figure {{ margin: 0; }} figure img {{ width: 100%; display: block; background: #000; }}
figcaption {{ color: {QUIET}; font-size: 14px; padding: 5px 0 0; }}
table {{ border-collapse: collapse; margin: 14px 0 0; font-size: 15px; width: 100%; }}
td, th {{ text-align: left; padding: 5px 14px 5px 0; border-bottom: 1px solid #34322e; vertical-align: top;
  font-weight: normal; font-variant-numeric: tabular-nums; }}
th {{ color: {QUIET}; }} .bad {{ color: #e0a37e; }} .good {{ color: {ACCENT}; }}
ul {{ color: {QUIET}; font-size: 15px; padding-left: 20px; }}
@media (max-width: 760px) {{ .pair {{ grid-template-columns: 1fr; }} }}
"""


def _small(path: Path, long_edge: int) -> Image.Image:
    with Image.open(path) as image:
        image.draft("RGB", (long_edge, long_edge))
        out = image.convert("RGB")
    out.thumbnail((long_edge, long_edge), Image.Resampling.LANCZOS)
    return out


def inline_jpeg(path: Path, long_edge: int = 1000) -> str:
    """A picture small, as an address that holds it."""
    out = io.BytesIO()
    _small(path, long_edge).save(out, "JPEG", quality=82)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()


def _percent(value: float) -> str:
    return f"{100 * value:.1f} %"


VERDICTS = {"sure": "found", "unsure": "in doubt", "cannot tell": "not found"}


def held(pitch: float, roll: float) -> str:
    """How a camera was held, in words, from its pitch and roll in degrees."""
    return (
        f"tilted {'up' if pitch >= 0 else 'down'} {abs(pitch):.1f}°, "
        f"rolled {abs(roll):.1f}° {'clockwise' if roll >= 0 else 'anticlockwise'}"
    )


def _vertical(account: Mapping[str, Any]) -> str:
    return f"{VERDICTS[account['verdict']]}, accurate to ±{account['lean_bound']:.2f}° (95 %)"


def rows_of(account: Mapping[str, Any], truth: Mapping[str, Any] | None) -> list[tuple[str, str, str]]:
    """Lines of the table for one view: what, measured, and against the ground truth where there is one."""
    lean = account["lean_before"]
    clipped = account.get("clipped") or {}
    truth = truth or {}
    rows = [
        ("As shot", held(lean["pitch"], lean["roll"]), truth.get("lean_before", "")),
        ("Vertical", _vertical(account), truth.get("vertical", "")),
        ("Tilt left", _tilt_left(account), truth.get("tilt_left", "")),
    ]
    for name, aspect in account["aspects"].items():
        lost = ", ".join(f"{edge} {_percent(v)}" for edge, v in aspect["lost"].items() if v > 0.0005)
        label = "aspect as shot" if name == "own" else name
        size = f"{aspect['width']} × {aspect['height']} pixels"
        told = f"{_percent(aspect['kept'])} kept, {size}; lost: {lost or 'nothing'}"
        rows.append((f"Frame kept, {label}", told, truth.get(f"kept {name}", "")))
    if clipped:
        parts = ", ".join(f"{k} {_percent(v)}" for k, v in clipped.items())
        rows.append(("Clipped in the raw", parts, truth.get("clipped", "")))
    if account.get("noise_stops") is not None:
        rows.append(("Noise in mid grey, as shot", f"{account['noise_stops']:.2f} stops", truth.get("noise", "")))
    if account.get("exposed"):
        usable, needed = account["exposed"]["usable"], account["exposed"]["needed"]
        rows.append(("Dynamic range", f"the view spans {needed:.1f} stops; {usable:.1f} are usable at this ISO", ""))
    tone = account["tone"]
    rows.append(
        (
            "Tone, in stops",
            f"exposure {tone['exposure']:+.2f}, window hold {tone['window_hold']:.1f}, "
            f"shade lift {tone['shade_lift']:.1f}",
            "",
        )
    )
    if account.get("veiling_glare") is not None:
        rows.append(("Veiling glare", glare_said(account["veiling_glare"]), ""))
    rows.append(("Lens", account["lens"], ""))
    return rows


def glare_said(percent: float) -> str:
    """What was done about veiling glare, from the share of light, in percent, that was taken out."""
    return f"{percent:.1f} % of the recorded light taken out" if percent > 0 else "nothing taken out"


def _tilt_left(account: Mapping[str, Any]) -> str:
    if account["plumb"] == 0:
        return "left as shot"
    rest = abs(account["lean_before"]["pitch"]) * (1 - account["plumb"])
    kept = f"{rest:.1f}° of tilt kept on purpose; " if rest > 0.05 else ""
    return f"{kept}true to ±{account['lean_bound']:.2f}° (95 %)"


def page(
    title: str,
    lead: str,
    folder: Path,
    accounts: Sequence[Mapping[str, Any]],
    truths: Mapping[str, Mapping[str, Any]],
    refused: Sequence[tuple[str, str]] = (),
) -> str:
    """The report as one self-contained HTML page; pictures lie in `folder`/pictures."""
    parts = [
        f"<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport content='width=device-width'>"
        f"<title>{html.escape(title)}</title><style>{STYLE}</style><main>",
        f"<h1>{html.escape(title)}</h1><p class=lead>{html.escape(lead)}</p>",
    ]
    for account in accounts:
        parts.append(_view(folder, account, truths.get(account["view"])))
    if refused:
        items = "".join(f"<li>{html.escape(name)}: {html.escape(why)}</li>" for name, why in refused)
        parts.append(f"<h2>Not finished</h2><ul>{items}</ul>")
    return "".join(parts) + "</main></html>\n"


def shown_jpeg(account: Mapping[str, Any]) -> str | None:
    """The picture that stands for a view: in the frame's own aspect where there is one."""
    aspects = sorted(account["aspects"].items(), key=lambda item: item[0] != "own")
    names = [f["name"] for _, aspect in aspects for f in aspect["files"] if f["name"].endswith(".jpg")]
    return names[0] if names else None


def _view(folder: Path, account: Mapping[str, Any], truth: Mapping[str, Any] | None) -> str:
    name = str(account["view"])
    jpeg = shown_jpeg(account)
    after = f"<img alt='after' src='{inline_jpeg(folder / 'pictures' / jpeg)}'>" if jpeg else "(16-bit TIFF only)"
    was = folder / "pictures" / "before" / f"{name}.jpg"
    rows = "".join(
        f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td><td>{html.escape(str(c))}</td></tr>"
        for a, b, c in rows_of(account, truth)
    )
    heads = "<tr><th></th><th>found and done</th><th>ground truth</th></tr>" if truth else ""
    remarks = "".join(f"<li>{html.escape(r)}</li>" for r in account["remarks"])
    return (
        f"<h2>{html.escape(name)}</h2><div class=pair>"
        f"<figure><img alt='before' src='{inline_jpeg(was)}'><figcaption>as shot</figcaption></figure>"
        f"<figure>{after}<figcaption>finished</figcaption></figure></div>"
        f"<table>{heads}{rows}</table>" + (f"<ul>{remarks}</ul>" if remarks else "")
    )


def contact_sheet(pictures: Sequence[tuple[str, Path]], width: int = 2400, columns: int = 4) -> bytes:
    """All pictures small on one JPEG, each with its name under it."""
    gap, cell = 36, (width - 36 * (columns + 1)) // columns
    font = ImageFont.load_default(26)
    tall = round(cell * 0.75)
    rows = -(-len(pictures) // columns)
    sheet = Image.new("RGB", (width, gap + rows * (tall + 78)), GROUND)
    draw = ImageDraw.Draw(sheet)
    for n, (name, path) in enumerate(pictures):
        x, y = gap + (n % columns) * (cell + gap), gap + (n // columns) * (tall + 78)
        image = _small(path, max(cell, tall))
        image.thumbnail((cell, tall), Image.Resampling.LANCZOS)
        sheet.paste(image, (x + (cell - image.width) // 2, y + (tall - image.height) // 2))
        draw.text((x + cell / 2, y + tall + 14), name, fill=TEXT, font=font, anchor="mt")
    out = io.BytesIO()
    sheet.save(out, "JPEG", quality=90)
    return out.getvalue()


def angle_between(a: Sequence[float], b: Sequence[float]) -> float:
    """Degrees between two directions."""
    u, v = np.asarray(a, float), np.asarray(b, float)
    u, v = u / np.linalg.norm(u), v / np.linalg.norm(v)
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(u, v)), u @ v)))
