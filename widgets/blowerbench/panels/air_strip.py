"""The air of a unit as a strip under its picture: what the air passes from the rooms back to the rooms, and the test ports.

Rule: a port is drawn where its hole is; what stands in it is printed beside it. Nothing here computes an air flow.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from blowerbench.equipment import Equipment
from blowerbench.messages import translate
from blowerbench.panels.elements import Node, el, rect, title

HEIGHT = 168  # drawing units that the strip adds under a picture
PORT = 16  # radius of a port
_LETTER = 7.4  # width of a letter of the strip's words


def strip(equipment: Equipment, view: Sequence[float]) -> dict[str, Any]:
    """The places of the strip for a picture of `view` (width, height): elements and ports; empty where there is no air."""
    if equipment.air is None:
        return {}
    air = equipment.air
    fan = next((str(r.get("title", "blower")) for r in equipment.raw["air_element"] if r["name"] == "fan"), "blower")
    rows = [(e.name, e.title) for e in air.elements]
    rows.insert(air.before, ("fan", fan))
    left, right = 14.0, view[0] - 12
    ports = {name: [p for p in air.ports if p.after == name] for name, _ in rows}
    gaps = [max(26.0, 14 + 34.0 * len(ports[name])) for name, _ in rows]
    gaps[-1] = 14 + (48.0 if ports[rows[-1][0]] else 0.0) * len(ports[rows[-1][0]])
    width = (right - left - sum(gaps) - 14) / len(rows)
    y = view[1] + 78
    x = left + 14
    made: dict[str, Any] = {"y": y, "left": left, "right": right, "elements": [], "ports": []}
    for (name, text), gap in zip(rows, gaps, strict=True):
        made["elements"].append({"name": name, "at": [x, y, width, 54], "text": text, "room": int((width - 8) / _LETTER)})
        x += width
        for k, port in enumerate(ports[name]):
            made["ports"].append({"name": port.name, "at": [x + gap / 2 + 34 * (k - (len(ports[name]) - 1) / 2), y - 22]})
        x += gap
    return made


def wrapped(text: str, room: int) -> list[str]:
    """`text` in at most three lines of about `room` letters; what does not fit ends in a point."""
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > room:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    short = [line if len(line) <= room + 2 else line[: room + 1] + "." for line in lines]
    return short if len(short) <= 3 else [*short[:2], short[2] + " …"]


def port_hits(places: Mapping[str, Any]) -> dict[str, list[float]]:
    """What the pointer may choose in the strip: thing id → x, y, width, height."""
    return {f"port_{p['name']}": [p["at"][0] - PORT, p["at"][1] - PORT, 2 * PORT, 2 * PORT] for p in places.get("ports", ())}


def draw_strip(equipment: Equipment, places: Mapping[str, Any], language: str) -> list[Node]:
    """The strip's elements: the duct, what stands in it, and the ports with room for a note each."""
    if not places:
        return []
    y, left, right = places["y"], places["left"], places["right"]
    made = [
        rect((left, y - 72, right - left, HEIGHT - 12), kind="bp-box", rx=8, key="box:air"),
        title("Air path", [left + 8, y - 50], language),
        el("path", kind="bp-line", d=f"M{left:g} {y + 4:g}H{right:g}M{left:g} {y + 50:g}H{right:g}"),
        el("path", kind="bp-line", d=f"M{left + 3:g} {y + 22:g}l6 5l-6 5M{right - 10:g} {y + 22:g}l6 5l-6 5"),
    ]  # fmt: skip
    for row in places["elements"]:
        x, top, w, h = row["at"]
        kind, round_by = ("bp-motor", 26) if row["name"] == "fan" else ("bp-part", 5)
        made.append(rect((x, top, w, h), kind=kind, rx=round_by))
        lines = wrapped(translate(row["text"], language), row["room"])
        first = top + h / 2 + 5 - 8 * (len(lines) - 1)
        made += [el("text", line, kind="bp-air bp-mid", x=x + w / 2, y=first + 16 * k) for k, line in enumerate(lines)]
        if row["name"] in equipment.places:
            thing = f"look_{row['name']}"
            made.append(rect((x, top, w, h), kind="bp-thing", rx=5, key=f"thing:{thing}", data_thing=thing))
    for k, port in enumerate(places["ports"]):
        x, top = port["at"]
        made.append(el("g", [
            el("path", kind="bp-line", d=f"M{x - 4:g} {top:g}V{y + 4:g}M{x + 4:g} {top:g}V{y + 4:g}"),
            el("circle", kind="bp-ring", cx=x, cy=top, r=PORT - 3),
            el("text", str(k + 1), kind="bp-pin", x=x, y=top + 5),
        ], key=f"port:{port['name']}", kind="bp-port"))  # fmt: skip
        made.append(el("text", translate(port["name"].replace("_", " "), language), kind="bp-air bp-mid", x=x, y=top - 19))
        made.append(el("text", "", kind="bp-air bp-mid", x=x, y=y + 73, key=f"note:port_{port['name']}"))
    hits = port_hits(places)
    made += [rect(b, kind="bp-thing", rx=16, key=f"thing:{n}", data_thing=n) for n, b in hits.items()]
    return made
