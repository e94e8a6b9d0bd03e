"""The words for what can be wrong in a fleet, wherever it is told: events, commands, the API and the pages.

`core.fleet_problems` finds problems of the newest uplinks, which begin, end and make events. Reports over some days
(`edges.store.fleet`) tell by the same words what needs attention; tilted, set aside, failing, losing uplinks and not
placed are theirs alone.
"""

from __future__ import annotations

from enum import StrEnum


class Kind(StrEnum):
    """What can be wrong, the gravest first."""

    NOTHING_HEARD = "nothing heard"
    GATEWAY_QUIET = "gateway quiet"
    SILENT = "silent"
    NEVER_HEARD = "never heard"
    LOW_SUPPLY = "low supply"
    TILTED = "tilted"
    SET_ASIDE = "set aside"
    STUCK = "stuck"
    FAILING = "failing"
    LOSING_UPLINKS = "losing uplinks"
    WEAK_LINK = "weak link"
    FROST = "frost"
    CONFLICTS = "conflicts"
    NOT_REGISTERED = "not registered"
    NOT_PLACED = "not placed"
    MIXED_FIRMWARE = "mixed firmware"

    @property
    def gravity(self) -> int:
        """0 for the gravest."""
        return list(Kind).index(self)

    @property
    def what_to_do(self) -> str:
        """One sentence."""
        return _WHAT_TO_DO[self]


#: Those that begin as time passes with nothing heard; a daemon that has just started waits with them.
OF_SILENCE = frozenset({Kind.NOTHING_HEARD, Kind.GATEWAY_QUIET, Kind.SILENT, Kind.NEVER_HEARD})

_WHAT_TO_DO = {
    Kind.NOTHING_HEARD: "Check the daemon's connection to broker and webhook, then the network's own state.",
    Kind.GATEWAY_QUIET: "Check its power and its connection to the network; probes that it alone hears are lost now.",
    Kind.SILENT: "See whether its gateway is quiet, then its supply and link before it stopped; else visit it.",
    Kind.NEVER_HEARD: "Check that it is switched on and joined, and its DevEUI in the registry and at the network.",
    Kind.LOW_SUPPLY: "Change its cell at the next visit; `loamline supply` tells how long it may last.",
    Kind.TILTED: "Visit it: it may be pulled out or knocked over. Set it in undisturbed soil, and tell the registry.",
    Kind.SET_ASIDE: "Read the sentence beside each uplink: a new firmware needs its codec; then read them again.",
    Kind.STUCK: "Look at its readings: a transducer that no longer moves is broken, or stands in air or ice.",
    Kind.FAILING: "Open the probe and see which check failed. Don't irrigate by these figures.",
    Kind.LOSING_UPLINKS: "Compare its gateways: a grown crop, a full sub-band or a gateway that is away.",
    Kind.WEAK_LINK: "Raise its antenna or bring a gateway nearer; `loamline radio report` tells who hears it.",
    Kind.FROST: "Nothing: water content is not measured in frozen soil, and comes back after the thaw.",
    Kind.CONFLICTS: "See whether two probes send under one DevEUI, or a network delivers old messages as new.",
    Kind.NOT_REGISTERED: "Register it, or have the network stop sending it; it is kept, but not calibrated.",
    Kind.NOT_PLACED: "Tell the registry where each depth sits; without a placement there is no water content.",
    Kind.MIXED_FIRMWARE: "Bring the hardware revision to one firmware, or note why it has several.",
}
