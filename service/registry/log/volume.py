"""Log entries as they are given and as they are stored, where that depends on the tank.

Water changes are stored as a fraction of the net volume, and also given and shown in litres;
animals are named as in the table of species or as in the tank's own animals.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.errors import InvalidInputError, Refusal
from service.registry.fields.log.kinds import KINDS
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank
from service.registry.species.names import allowed_names, folded_name, meant
from service.registry.volume import net_volume_l
from service.schemas.checks import refuse
from service.schemas.messages import error_of_messages


def to_stored(kind: LogKind, data: Mapping[str, Any], tank: Tank) -> dict[str, Any]:
    """The data of an entry as they are stored, from data as they were given.

    Raises:
        InvalidInputError: of fields that exclude each other not exactly one is given, a volume
            is no part of the tank's net volume, or a name may be a slip for a listed species.
    """
    refuse(KINDS[kind].contradictions(data), under=("data",))
    if kind is LogKind.STOCKING:
        _check_species(str(data.get("species", "")), tank)
    if "plant" in data:
        _check_plant(str(data["plant"]), tank)
    if kind is not LogKind.WATER_CHANGE or "volume_l" not in data:
        return dict(data)
    volume_l, net_l = data["volume_l"], net_volume_l(tank)
    if net_l is None:
        raise _refused(volume_l, "fraction instead: the tank's net volume is not known")
    if volume_l > net_l:
        raise _refused(volume_l, f"up to the net volume, {net_l:g} L")
    others = {name: value for name, value in data.items() if name != "volume_l"}
    return {"fraction": volume_l / net_l, **others}


def to_shown(entry: LogEntry, tank: Tank) -> dict[str, Any]:
    """The data of an entry, a water change also in litres where the net volume is known."""
    net_l = net_volume_l(tank)
    if entry.kind is not LogKind.WATER_CHANGE or net_l is None:
        return dict(entry.data)
    return {**entry.data, "volume_l": entry.data["fraction"] * net_l}


def _check_species(name: str, tank: Tank) -> None:
    """Refuse a name that is neither listed nor the tank's own, and like one that is listed."""
    own = {folded_name(stock.species) for stock in tank.animals}
    if folded_name(name) in own:
        return
    if near := meant(name):
        allowed = allowed_names(near, "or a name as in the tank's animals")
        raise error_of_messages({"data": {"species": [Refusal(name, allowed)]}})


def _check_plant(name: str, tank: Tank) -> None:
    """Refuse a plant that the tank does not list: its heights would belong to nothing."""
    if folded_name(name) not in {folded_name(one.species) for one in tank.plants}:
        listed = ", ".join(one.species for one in tank.plants)
        allowed = listed or "a species of the tank's plants, which lists none yet"
        raise error_of_messages({"data": {"plant": [Refusal(name, allowed)]}})


def _refused(volume_l: float, allowed: str) -> InvalidInputError:
    return error_of_messages({"data": {"volume": [Refusal(volume_l, allowed)]}})
