"""A machine table of field.toml, or a machine file, to a `Machine`."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from trafficmap.core.errors import InputError, SettingsError
from trafficmap.core.notes import Note
from trafficmap.machines._convert import convert, own_unit
from trafficmap.machines._weighed import settle_weighed, take_weighed
from trafficmap.machines.catalogue import generic_attachment, generic_machine, nearest
from trafficmap.machines.model import Body, Hitch, Machine
from trafficmap.machines.validate import check_machine

ASSUMED_TRACTOR = "tractor_front_assist"
"""Put in front of a cart or tanker named without one; choice."""

_MAX_FILE_BYTES = 1_000_000

_SECTIONS = (
    "antenna",
    "mass",
    "payload",
    "steering",
    "limits",
    "provenance",
)
_TABLE_KEYS = (
    "class",
    "file",
    "label",
    "correction",
    "pressure_kpa",
    "contact_pressure_kpa",
    "contact_area_m2",
    "contact_mass_kg",
    "contact_source",
    "tyre",
    "heading_source",
    "attachment",
    "pull_kn",
    "hose",
    "hitch",
    "trails",
    *_SECTIONS,
)

# Keys that say the same thing in different ways: giving one drops the class's others.
_ONE_OF = {
    "mass": [{"empty_cg_x", "empty_front_share", "tongue_share"}],
    "payload": [
        {"cg_x_empty", "cg_x_full", "tongue_share_empty", "tongue_share_full"},
        {"capacity_m3", "capacity_kg"},
        {"test_weight_lb_bu", "density_kg_m3"},
    ],
}

_FILE_PRESSURE = {
    "tractor": 160.0,
    "truck": 760.0,
    "trailer": 400.0,
    "combine": 260.0,
    "grain_cart": 300.0,
    "tanker": 300.0,
    "manure_rig": 250.0,
    "forage_harvester": 250.0,
    "beet_harvester": 250.0,
    "sprayer": 280.0,
}
"""Pressure where a machine file leaves it out [kPa]: upper end of the usual; choice."""


def read_machine(table: dict, *, name: str, folder: Path) -> tuple[Machine, list[Note]]:
    """Return the machine a table describes, and what was assumed for it.

    Parameters
    ----------
    table : dict
        ``class`` (a catalogue class) or ``file`` (a machine file), keys that change
        it, and ``trails``, a list of such tables for what it pulls.
    name : str
        Name in field.toml.
    folder : Path
        What ``file`` is relative to.

    Returns
    -------
    Machine
    list of Note
        At most one about assumed values, and what the check of the machine found.

    Raises
    ------
    SettingsError
        An unknown key or class (the hint holds the nearest name), a value out of
        range, or a body that cannot be placed or loaded.
    InputError
        The machine file cannot be read.
    """
    path = f"machine.{name}"
    parts = [_Part(table, path=path, folder=folder)]
    trails = table.get("trails", [])
    if not isinstance(trails, list):
        msg = f"{path}.trails: got {trails!r}, need a list of tables."
        raise SettingsError(msg, 'write trails = [{ class = "grain_cart_single" }]')
    parts += [
        _Part(item, path=f"{path}.trails[{k}]", folder=folder, trailed=True)
        for k, item in enumerate(trails)
    ]
    assumed_front = False
    if parts[0].bodies[0].coupling is not None:
        front = _Part({"class": ASSUMED_TRACTOR}, path=path, folder=folder)
        parts.insert(0, front)
        assumed_front = True

    bodies: list[Body] = []
    hitches: list[Hitch] = []
    for part in parts:
        for k, body in enumerate(part.bodies):
            if bodies:
                wanted = part.hitch if k == 0 else ""
                hitches.append(_hitch(bodies[-1], wanted, body, part.path))
            bodies.append(body)
    lead = parts[1] if assumed_front else parts[0]
    machine = Machine(
        id=name,
        class_name=lead.class_name,
        label=str(table.get("label", "")) or lead.label or name,
        bodies=tuple(_unique_ids(bodies)),
        hitches=tuple(hitches),
        assumed=tuple(dict.fromkeys(word for part in parts for word in part.assumed)),
        pressure_assumed=tuple(a for part in parts for a in part.pressure_assumed),
    )
    notes = check_machine(machine)
    if assumed_front:
        notes.append(_front_note(name, lead.label))
    if machine.assumed:
        notes.append(_assumed_note(machine))
    return machine, notes


class _Part:
    """One table: the bodies it gives, and what it took from the class."""

    def __init__(
        self, table: Any, *, path: str, folder: Path, trailed: bool = False
    ) -> None:
        if not isinstance(table, dict):
            msg = f"{path}: got {table!r}, need a table with a class or a file."
            raise SettingsError(msg, 'write class = "combine_large"')
        given = {}
        for key, value in table.items():
            own, value = own_unit(key, value, _TABLE_KEYS, path=path)
            given[own] = value
        if trailed and "trails" in given:
            msg = f"{path}.trails: a pulled body cannot have a list of its own."
            raise SettingsError(msg, "put all pulled bodies into one list, in order")
        self.path = path
        self.hitch = str(given.get("hitch", ""))
        self.assumed: list[str] = []
        if ("class" in given) == ("file" in given):
            msg = f"{path}: need either a class or a machine file."
            raise SettingsError(msg, 'write class = "combine_large", or file = "..."')
        if "file" in given:
            raw = [_read_file(given["file"], folder, path)]
            self.class_name = str(raw[0].get("class", ""))
            self.label = str(raw[0].get("label", "") or raw[0].get("id", ""))
            confidence = None
        else:
            known = generic_machine(given["class"])
            raw = known["body"]
            self.class_name, self.label = given["class"], known["label"]
            confidence = "catalogue"
        self._change(raw, given, confidence)
        self.pressure_assumed = _fill_pressures(
            raw, given, path, told_by_file="file" in given
        )
        if self.pressure_assumed:
            self.assumed.append("tyre pressure")
        self.bodies = [convert(body, Body, path=path) for body in raw]

    def _change(self, raw: list[dict], given: dict, confidence: str | None) -> None:
        """Write what the table tells over the values of the class or file."""
        from_class = confidence is not None
        masses = given.get("mass")
        masses = dict(masses) if isinstance(masses, dict) else masses
        weighed = take_weighed(masses, path=self.path)
        if weighed is None and not from_class:
            weighed = take_weighed(raw[0].get("mass"), path=self.path)
        _override_mass(raw, masses or None, self.path)
        for key in _SECTIONS:
            if key not in given or key == "mass":
                continue
            body = _payload_dict(raw) if key == "payload" else raw[0]
            _merge(body, key, given[key], self.path)
        if "correction" in given:
            raw[0].setdefault("antenna", {})["correction"] = given["correction"]
        if "heading_source" in given:
            raw[0]["heading_source"] = given["heading_source"]
        if "attachment" in given:
            raw[0]["attachment"] = given["attachment"]
        for body in raw:
            if "attachment" in body:
                body["attachment"] = _attachments(body["attachment"])
        _override_pull(raw, given, self.path)
        if weighed is not None:
            settle_weighed(raw, weighed, path=self.path)
        _override_tyres(raw, given.get("tyre"), self.path)
        _override_contact(raw, given, self.path)
        if from_class:
            told = weighed is not None or (
                isinstance(given.get("mass"), dict)
                and any(
                    key.startswith("empty_") and key.endswith(("kg", "lb", "t"))
                    for key in given["mass"]
                )
            )
            for body in raw:
                body.setdefault("provenance", {}).setdefault(
                    "confidence", "measured" if told else "catalogue"
                )
            if not told:
                self.assumed.append("empty mass")
            payload = given.get("payload")
            capacity = isinstance(payload, dict) and any(
                key.startswith("capacity_") for key in payload
            )
            if _payload_dict(raw).get("payload") and not capacity:
                self.assumed.append("capacity")
        antenna = raw[0].get("antenna")
        if "coupling" not in raw[0]:
            if antenna is None or (from_class and "antenna" not in given):
                self.assumed.append("place of the antenna")
            if not (antenna or {}).get("correction"):
                self.assumed.append("GNSS correction")


def _read_file(name: Any, folder: Path, path: str) -> dict:
    if not isinstance(name, str) or "\x00" in name:
        msg = f"{path}.file: got {name!r}, need the name of a machine file."
        raise SettingsError(msg, 'write file = "machines/cart.toml"')
    file = Path(folder) / name
    try:
        if not file.is_file():
            msg = f"{path}.file: {name} is not there, or is no plain file."
            raise InputError(msg, "give its name relative to the field's folder")
        if file.stat().st_size > _MAX_FILE_BYTES:
            msg = f"{path}.file: {name} is larger than 1 MB, which no machine file is."
            raise InputError(msg, "name the machine file, not a log")
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        msg = f"{path}.file: {name} cannot be read as TOML ({error})."
        raise InputError(msg, "mend that line of the machine file") from None


def _merge(body: dict, section: str, values: Any, path: str) -> None:
    if not isinstance(values, dict):
        msg = f"{path}.{section}: got {values!r}, need a table of keys."
        raise SettingsError(msg, f"write {section} = {{ key = value }}")
    base = body.setdefault(section, {})
    stems = {key.rpartition("_")[0] or key for key in values}
    for group in _ONE_OF.get(section, ()):
        if any(key in values or key.rpartition("_")[0] in stems for key in group):
            for key in group - set(values):
                base.pop(key, None)
    base.update(values)


def _override_mass(raw: list[dict], values: Any, path: str) -> None:
    """Put a told mass on the bodies; the mass of several is shared as in the class."""
    if values is None:
        return
    if len(raw) == 1:
        _replace_unit(raw[0].setdefault("mass", {}), values)
        _merge(raw[0], "mass", values, path)
        return
    if not isinstance(values, dict) or len(values) != 1:
        msg = (
            f"{path}.mass: this class has {len(raw)} bodies, only empty_kg can change."
        )
        raise SettingsError(msg, "describe each body in a machine file of its own")
    key, value = next(iter(values.items()))
    key, value = own_unit(key, value, ("empty_kg",), path=f"{path}.mass")
    if isinstance(value, bool) or not isinstance(value, int | float) or value <= 0:
        msg = f"{path}.mass.empty_kg: got {value!r}, need a mass above 0."
        raise SettingsError(msg, "give the mass of the whole machine")
    factor = value / sum(body["mass"]["empty_kg"] for body in raw)
    for body in raw:
        body["mass"]["empty_kg"] *= factor


def _replace_unit(base: dict, values: Any) -> None:
    """Drop the class's kg value where the same key is told in another unit."""
    if isinstance(values, dict) and ("empty_lb" in values or "empty_t" in values):
        base.pop("empty_kg", None)


def _attachments(values: Any) -> Any:
    """Return attachments as tables; a text is a name of the catalogue."""
    items = values if isinstance(values, list) else [values]
    return [
        generic_attachment(item) if isinstance(item, str) else item for item in items
    ]


def _override_pull(raw: list[dict], given: dict, path: str) -> None:
    """Put a told pull or hose on the last hitch of the machine."""
    if "pull_kn" not in given and "hose" not in given:
        return
    hitches = [hitch for body in raw for hitch in body.get("hitch", [])]
    if not hitches:
        msg = f"{path}: nothing can pull at a machine without a hitch."
        raise SettingsError(msg, "give the machine a file with a [[hitch]]")
    if "pull_kn" in given:
        hitches[-1]["pull_kn"] = given["pull_kn"]
    if "hose" in given:
        hose = given["hose"]
        if not isinstance(hose, dict):
            msg = f"{path}.hose: got {hose!r}, need a table of keys."
            raise SettingsError(msg, "write hose = { inner_m = 0.15, dragged_m = 200 }")
        hitches[-1]["hose"] = {**hitches[-1].get("hose", {}), **hose}


def _payload_dict(raw: list[dict]) -> dict:
    carriers = [body for body in raw if "payload" in body]
    return carriers[0] if carriers else raw[0]


def _axles(raw: list[dict]) -> dict[str, dict]:
    return {
        str(axle.get("name")): axle
        for body in raw
        for axle in body.get("axle", [])
        if isinstance(axle, dict)
    }


def _by_axle(raw: list[dict], values: Any, path: str) -> dict[str, Any]:
    """Return axle name -> value; one bare value goes to every axle."""
    axles = _axles(raw)
    if not isinstance(values, dict):
        return dict.fromkeys(axles, values)
    out: dict[str, Any] = {}
    groups = {str(axle.get("group", "")) for axle in axles.values()} - {""}
    for key, value in values.items():
        members = [n for n, a in axles.items() if key in (n, a.get("group"))]
        if not members:
            names = [*axles, *sorted(groups)]
            msg = f"{path}.{key}: is no axle of this machine, need {', '.join(names)}."
            near = nearest(key, names)
            raise SettingsError(msg, f"write {near}" if near else "name an axle")
        out.update(dict.fromkeys(members, value))
    return out


def _contacts(axle: dict) -> list[dict]:
    contacts = axle.get("contact", [])
    return [c for c in contacts if isinstance(c, dict)] if contacts else []


def _override_tyres(raw: list[dict], values: Any, path: str) -> None:
    if values is None:
        return
    axles = _axles(raw)
    for name, value in _by_axle(raw, values, f"{path}.tyre").items():
        for contact in _contacts(axles[name]):
            for key in ("load_index", "ref_pressure_kpa", "width", "diameter"):
                contact.pop(key, None)
            contact["designation"] = value


_CONTACT_KEYS = (
    "contact_pressure_kpa",
    "contact_area_m2",
    "contact_mass_kg",
    "contact_source",
)


def _override_contact(raw: list[dict], given: dict, path: str) -> None:
    """Put a told contact on its axles; a text goes to the axles with a number."""
    axles = _axles(raw)
    told = {
        key: _by_axle(raw, given[key], f"{path}.{key}")
        for key in _CONTACT_KEYS
        if key in given
    }
    numbers = {
        name for key, by_axle in told.items() if key != "contact_source"
        for name in by_axle
    }  # fmt: skip
    for key, by_axle in told.items():
        for name, value in by_axle.items():
            if key == "contact_source" and name not in numbers:
                continue
            for contact in _contacts(axles[name]):
                if contact.get("kind", "tyre") == "tyre":
                    contact[key] = value


def _fill_pressures(
    raw: list[dict], given: dict, path: str, *, told_by_file: bool
) -> list[str]:
    """Put told pressures on tyres; return the axles left with an assumed one."""
    told = _by_axle(raw, given.get("pressure_kpa"), f"{path}.pressure_kpa")
    assumed = []
    for body in raw:
        for name, axle in _axles([body]).items():
            for contact in _contacts(axle):
                if contact.get("kind", "tyre") != "tyre":
                    continue
                if told.get(name) is not None:
                    contact["pressure_kpa"] = told[name]
                elif not told_by_file or "pressure_kpa" not in contact:
                    default = _FILE_PRESSURE.get(str(body.get("class")), 250.0)
                    contact.setdefault("pressure_kpa", default)
                    assumed.append(f"{body.get('id')}/{name}")
    return list(dict.fromkeys(assumed))


def _hitch(front: Body, wanted: str, behind: Body, path: str) -> Hitch:
    if behind.coupling is None:
        msg = f"{path}: {behind.id} has no coupling, so it cannot be pulled."
        raise SettingsError(msg, "name the pulling machine first, then what it trails")
    if not front.hitches:
        msg = f"{path}: {front.id} has no hitch to pull {behind.id} with."
        raise SettingsError(msg, "add a [[hitch]] to its machine file")
    if not wanted:
        return front.hitches[-1]
    for hitch in front.hitches:
        if hitch.name == wanted:
            return hitch
    names = [hitch.name for hitch in front.hitches]
    msg = (
        f"{path}.hitch: {wanted!r} is no hitch of {front.id}, need {', '.join(names)}."
    )
    raise SettingsError(msg, f"write {nearest(wanted, names) or names[-1]}")


def _unique_ids(bodies: list[Body]) -> list[Body]:
    import msgspec

    seen: dict[str, int] = {}
    out = []
    for body in bodies:
        seen[body.id] = seen.get(body.id, 0) + 1
        if seen[body.id] > 1:
            body = msgspec.structs.replace(body, id=f"{body.id} {seen[body.id]}")
        out.append(body)
    return out


def _front_note(name: str, label: str) -> Note:
    return Note(
        code="machines.front_assumed",
        severity="check",
        sentence=(
            f"{name}: a {label} does not drive itself; a front-assist tractor is "
            "assumed to pull it; name the tractor and put the cart under trails."
        ),
        where=name,
    )


def _assumed_note(machine: Machine) -> Note:
    """Say in one sentence what came from the class and what it is worth."""
    words: list[str] = []
    for word in machine.assumed:
        if word == "empty mass":
            words.append(f"empty mass {machine.empty_mass / 1000:.1f} t")
        elif word == "capacity":
            words.append(f"capacity {machine.capacity(720.0) / 1000:.1f} t")
        elif word == "tyre pressure":
            kpa = sorted(
                {
                    c.pressure_kpa or 0.0
                    for body in machine.bodies
                    for axle in body.axles
                    for c in axle.contacts
                    if f"{body.id}/{axle.name}" in machine.pressure_assumed
                }
            )
            values = " and ".join(f"{value:g}" for value in kpa)
            words.append(f"tyre pressure {values} kPa")
        else:
            words.append(word)
    heavy = "empty mass" in machine.assumed
    if not heavy and "tyre pressure" not in machine.assumed:
        start, end = "not all was told;", "measure it and write it down."
    else:
        start, end = "no axle load was given;", "weigh it and read its tyres."
        if not heavy:
            start = "no tyre pressure was given;"
            end = "read the gauge."
    listed = ", ".join(words[:-1]) + (" and " if words[:-1] else "") + words[-1]
    verb = "are" if len(words) > 1 else "is"
    return Note(
        code="machines.assumed",
        severity="check",
        sentence=(
            f"{machine.id}: {start} {listed} {verb} assumed from its class; {end}"
        ),
        count=len(words),
        where=machine.id,
    )
