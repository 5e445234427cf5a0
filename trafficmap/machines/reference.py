"""The pages of machines and of classes, printed from the Structs and the catalogue."""

from __future__ import annotations

import types
import typing
from typing import Any

import msgspec

from trafficmap.machines.catalogue import (
    attachment_names,
    attachment_range,
    class_names,
    generic_attachment,
    generic_machine,
    ranged_values,
)
from trafficmap.machines.model import MASS_SPREAD, SIGMAS, Body, Machine
from trafficmap.machines.parts import (
    Antenna,
    Attachment,
    Axle,
    Contact,
    Cost,
    Coupling,
    Hitch,
    Hose,
    Limits,
    Mass,
    Payload,
    Provenance,
    Steering,
)
from trafficmap.machines.statics import body_supports
from trafficmap.machines.validate import DENSITY_MAIZE

_HEAD = """\
# Machines

This page is printed from the code: `python -m trafficmap.machines.reference`.

A machine is a class of the catalogue with what you know of yours written over it, or a
machine file of its own:

```toml
[machine.combine]
class = "combine_large"
label = "combine, 12-row"
correction = "rtk"
mass.empty_kg = 19000
pressure_kpa = { front = 200, rear = 180 }

[machine.cart]
class = "tractor_articulated"
trails = [{ class = "grain_cart_single", mass.empty_kg = 9000 }]

[machine.tanker]
file = "machines/tractor.toml"
trails = [{ file = "machines/tanker.toml", hitch = "rear drawbar" }]
```

What is not told is taken from the class and named in one note a machine. x is ahead of
the axle that is not steered, y right of the centre line, z above the ground. Pulled
bodies have a `[coupling]`; the halves of an articulated tractor are two bodies joined
by a hitch of kind `pivot`, front half first.

Numbers may be given in another unit by the end of the key: `empty_lb` or `empty_t` for
`empty_kg`, `pressure_psi` or `pressure_bar` for `pressure_kpa`, `width_ft` for
`width_m`, `capacity_bu`, `capacity_gal` or `capacity_l` for `capacity_m3`.

A contact as measured or printed: `contact_area_m2 = { front = [0.52, 0.60] }` with
`contact_mass_kg = { front = [4000, 6000] }` is followed by a straight line over load.

## Keys of a machine in field.toml

| key | meaning |
|---|---|
| class | class of the catalogue, see below; or |
| file | machine file, relative to the folder of field.toml |
| label | words a person reads |
| correction | correction of the receiver, as `antenna.correction` |
| pressure_kpa | inflation pressure [kPa]: one number, or by axle or group name |
| contact_pressure_kpa | mean pressure on the ground [kPa], measured or from a tyre \
table; by axle or for all; counts before inflation pressure and size |
| contact_area_m2, contact_mass_kg | the same as area on the ground [m2] and the mass \
on the wheel it belongs to; one number each or lists of equal length |
| contact_source | who measured that, or which table; must stand with it |
| tyre | size on the side wall: one text, or by axle or group name |
| heading_source | as in a machine file |
| attachment | name of an attachment of the [classes](machine_classes.md), a table as \
in a machine file, or a list of them; `[]` for none |
| mass.weighed_kg | what each axle or group weighed, `{ front = 16700, rear = 4800 }`, \
tank empty, attachments on and lifted; stands for `empty_kg` and where it acts |
| pull_kn, hose | pull of a tool in the ground, and hose dragged, at its last hitch |
| antenna, mass, payload, steering, limits, provenance | tables as in a machine file |
| trails | what it pulls, in order: a list of such tables |
| hitch | in `trails`: hitch of the body in front; the last one if left out |

Where a class has several bodies `mass.empty_kg` is the mass of all of them together.

## Keys of a machine file
"""

_CLASSES_HEAD = """\
# Classes of machines, drawn to scale

This page and its drawings are printed from the code: `python docs/reference/build.py`.

Look at the drawing of your class before you use it: a wheel in the wrong place puts
traffic where there was none. `trafficmap check DIR --draw OUT` draws your own machines
the same way, with what you wrote over the class. Every value is our choice inside the
range beside it, in the unit of its key; ranges with the mark *memory* nobody looked up,
*press* are bounded by axle loads the farm press told of trials and state surveys,
*extension* by legal loads on extension pages, *abstract* by a published abstract,
*choice* is ours alone. Loads: header on, tools lifted, grain at 56 lb a bushel; a class
of the pulled kind stands alone, and what it puts on the hitch is missing there.

"""

_TABLES: tuple[tuple[str, type, str], ...] = (
    ("top of the file", Body, ""),
    ("[antenna]", Antenna, ""),
    ("[mass]", Mass, "Exactly one of the three keys that say where it acts."),
    ("[payload]", Payload, "Either both `cg_x_` keys or both `tongue_share_` keys."),
    ("[steering]", Steering, ""),
    ("[limits]", Limits, ""),
    ("[coupling]", Coupling, "Only on a body that is pulled."),
    ("[[attachment]]", Attachment, ""),
    (
        "[[axle]]",
        Axle,
        "Two places at most carry a body: axles or groups, one of them the coupling.",
    ),
    ("[[axle.contact]]", Contact, ""),
    ("[[hitch]]", Hitch, ""),
    ("[hitch.hose]", Hose, "Drags in every state in which the machine moves."),
    ("[cost]", Cost, ""),
    ("[provenance]", Provenance, ""),
)


def reference_page() -> str:
    """Return the whole page as text."""
    parts = [_HEAD]
    for title, struct, remark in _TABLES:
        parts.append(f"\n### {title}\n\n{remark + chr(10) * 2 if remark else ''}")
        parts.append(_key_table(struct))
    parts.append(_class_tables())
    parts.append(_small_tables())
    return "".join(parts)


def classes_page() -> str:
    """Return the page of classes: a drawing and every value with range and mark."""
    lines = [_CLASSES_HEAD]
    for name in class_names():
        machine = class_machine(name)
        lines += [
            f"## {name}",
            "",
            f"{machine.label[:1].upper()}{machine.label[1:]}.",
            "",
            f"![{machine.label}, from above](machines/{name}.svg)",
            "",
            "| value | here | range | mark |",
            "|---|---|---|---|",
        ]
        several = len(machine.bodies) > 1
        seen = set()
        for row in ranged_values(name):
            key = f"{row.body}: {row.key}" if several else row.key
            here = row.text or f"{row.value:g}"
            if row.text:
                key = f"{key}, width [m]"
                here = f"{row.text}, {row.value:.3g}"
            line = f"| {key} | {here} | {row.low:g} to {row.high:g} | {row.mark} |"
            if line not in seen:
                seen.add(line)
                lines.append(line)
        lines.append("")
    lines += [
        "## Attachments by name",
        "",
        'Ranges from memory; `attachment = "corn_head_12_row"` puts one on.',
        "",
        "| name | words | mass [kg] | centre ahead [m] | width [m] | "
        "carried at work [share] |",
        "|---|---|---|---|---|---|",
    ]
    for name in attachment_names():
        item = generic_attachment(name)
        cells = [name, item["name"]]
        for key in ("mass_kg", "cg_x", "width_m", "working_share"):
            if key not in item:
                cells.append("1" if key == "working_share" else "-")
                continue
            try:
                low, high = attachment_range(name, key)
                cells.append(f"{item[key]:g} ({low:g} to {high:g})")
            except KeyError:
                cells.append(f"{item[key]:g}")
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def class_machine(class_name: str) -> Machine:
    """Return a class alone: a cart without the tractor that would pull it.

    Raises
    ------
    SettingsError
        The class is unknown.
    """
    entry = generic_machine(class_name)
    bodies = tuple(msgspec.convert(body, Body) for body in entry["body"])
    return Machine(
        id=class_name,
        class_name=class_name,
        label=entry["label"],
        bodies=bodies,
        hitches=tuple(body.hitches[-1] for body in bodies[:-1]),
    )


def _key_table(struct: type) -> str:
    lines = ["| key | default | meaning |", "|---|---|---|"]
    for field in msgspec.structs.fields(struct):
        if _has_struct(field.type):
            continue
        if field.required:
            default = "needed"
        elif field.default is None:
            default = "not told"
        else:
            default = f"`{_toml(field.default)}`"
        lines.append(f"| {field.encode_name} | {default} | {_meaning(field.type)} |")
    return "\n".join(lines) + "\n"


def _class_tables() -> str:
    lines = [
        "\n## Classes\n",
        "Each drawn to scale, with the range of every value: "
        "[classes](machine_classes.md).",
        "Generic values within the range usual for the class, no particular machine;",
        "choice, most ranges from memory. Axle loads stand alone, grain at 56 lb a",
        "bushel; a pulled body's share on the hitch is named `coupling`.\n",
        "| class | label | empty [t] | attachments [t] | payload | capacity [t] | "
        "load empty to full [t] | tyres or tracks | pressure [kPa] | "
        "track width [m] | turns in [m] | at work [km/h] |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    lines += [_class_row(name) for name in class_names()]
    return "\n".join(lines) + "\n"


def _class_row(name: str) -> str:
    entry = generic_machine(name)
    bodies = [msgspec.convert(body, Body) for body in entry["body"]]
    loads, sizes, pressures, tracks = [], [], [], []
    for body in bodies:
        full = body.payload.capacity(DENSITY_MAIZE)
        low = body_supports(body, 0.0, capacity=full)
        high = body_supports(body, full, capacity=full)
        loads += [
            f"{point} {float(low[point]) / 1e3:.1f} to {float(high[point]) / 1e3:.1f}"
            for point in low
        ]
        for axle in body.axles:
            tracks.append(f"{axle.track_width:g}")
            for contact in axle.contacts:
                sizes.append(
                    contact.designation
                    or f"{contact.width:g} x {contact.contact_length:g} m track"
                )
                if contact.pressure_kpa:
                    pressures.append(f"{contact.pressure_kpa:g}")
    payload = next((b.payload for b in bodies if b.payload.kind != "none"), None)
    capacity = payload.capacity(DENSITY_MAIZE) / 1e3 if payload else 0.0
    slow, fast = bodies[0].limits.working_speed_kmh
    cells = [
        name,
        entry["label"],
        f"{sum(b.mass.empty_kg for b in bodies) / 1e3:g}",
        f"{sum(a.mass_kg for b in bodies for a in b.attachments) / 1e3:g}",
        payload.kind if payload else "none",
        f"{capacity:.1f}",
        ", ".join(loads),
        ", ".join(dict.fromkeys(sizes)),
        ", ".join(dict.fromkeys(pressures)) or "-",
        ", ".join(dict.fromkeys(tracks)),
        f"{max(b.steering.min_radius_m for b in bodies):g}",
        f"{slow:g} to {fast:g}",
    ]
    return "| " + " | ".join(cells) + " |"


def _small_tables() -> str:
    lines = [
        "\n## Corrections\n",
        "One sigma across the track; upper ends of usual ranges (from memory), choice.",
        "Without tilt compensation the height of the antenna times the sine of 2",
        "degrees is added.\n",
        "| correction | within a pass [m] | between runs [m] |",
        "|---|---|---|",
        *(f"| {name} | {a:g} | {b:g} |" for name, (a, b) in SIGMAS.items()),
        "\n## How sure an empty mass is\n",
        "| confidence | half width |",
        "|---|---|",
        *(f"| {name} | {100 * share:g} % |" for name, share in MASS_SPREAD.items()),
    ]
    return "\n".join(lines) + "\n"


def _meaning(kind: Any) -> str:
    """Return the description inside an annotation."""
    if typing.get_origin(kind) is typing.Annotated:
        for part in kind.__metadata__:
            if isinstance(part, msgspec.Meta) and part.description:
                return part.description
    for part in typing.get_args(kind):
        if text := _meaning(part):
            return text
    return ""


def _has_struct(kind: Any) -> bool:
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return True
    inside = (typing.Union, types.UnionType, tuple, typing.Annotated)
    return typing.get_origin(kind) in inside and any(
        _has_struct(part) for part in typing.get_args(kind)
    )


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return f"{value:g}" if isinstance(value, float) else str(value)


if __name__ == "__main__":
    import sys

    sys.stdout.write(reference_page())
