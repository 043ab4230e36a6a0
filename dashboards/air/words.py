"""What is found about the air, in words: for a terminal, for JSON, and the sentences that the report shares."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from dashboards.air.findings import AirFindings, ChannelHeard, Choice, OwnChannel, RadioHeard
from dashboards.air.rules import EIRP_WORDS, WHOSE_WORD_HOLDS, radar_in_most_countries, rule_words
from dashboards.analysis.air.airtime import HOURS_A_BIN, LEAST_DAYS, LEAST_LOOKS_A_DAY, Difference
from dashboards.analysis.air.choice import LEAST_FEWER, LEAST_LESS_BUSY, Pick
from dashboards.analysis.air.overlap import LEAST_OVERLAP, MEANING
from dashboards.sentences import aligned, band_name, number
from logger.printable import printable
from logger.times import format_local
from logger.wording import counted

CHANNEL_COLUMNS = (
    "channel",
    "neighbours",
    "reach in",
    "strongest",
    "load",
    "busy",
    "noise",
    "falls into yours",
    "busiest",
)
RADIO_COLUMNS = ("channel", "width", "heard", "level", "load", "falls into yours", "network", "address")
COLUMNS_MEAN = (
    "neighbours: how many have their primary channel here, and how many at a look in the mean; several addresses of one"
    " radio count once. reach in: how many send into it, wherever their primary is, and at a look, each by the share of"
    " what it sends that falls in (into yours over its width, into others over 20 MHz): channels are compared by that."
    " strongest, level: median RSSI of its beacons, and 95 % point, dBm. load: the channel as its access points find it"
    " (BSS Load element), median and number. busy: share of the time listened there, of the link's samples or of scans'"
    " visits. busiest: the hours of the day that stand out, empty where none do"
)
LEAST_SHOWN_SHARE, MOST_SHOWN = 0.01, 100  # radios of a band
_NO_COUNTRY = re.compile("AA|Q[M-Z]|X[A-Z]|ZZ")  # ISO 3166-1 leaves them to its users
OWN_TRAFFIC = "your own network's traffic counts in how busy its channel is, and would move along"
ROUTER_HEARS_OTHERS = "this is what the laptop hears; the router stands elsewhere and hears other things"


NO_PLAN = (
    "Stay two whole days or more on each, by turns, and ask 'linktrial compare' then: this card's samples tell no busy"
    " time, so that no difference of it can be planned for; probes tell transfers and latency, if you have them."
)


def air_text(air: AirFindings, now_ms: int, on_log: str = "") -> str:
    """The whole answer. ``on_log``: what goes behind commands, so that they take the same log."""
    parts = [head(air, now_ms), *own_lines(air), ""]
    for band in bands_of(air):
        channels = [channel_row(one) for one in air.channels if one.band == band]
        parts += [band_name(band), *aligned([CHANNEL_COLUMNS, *channels]), ""]
        radios, n_more = radios_shown(air, band)
        if radios:
            parts += [*aligned([RADIO_COLUMNS, *map(radio_row, radios)]), *more_radios(n_more), ""]
    if air.channels:
        parts += [COLUMNS_MEAN, *meanings(air), ""]
    if air.country is not None:
        parts += [*rule_lines(air), ""]
    for choice in air.choices:
        parts += [*choice_lines(choice, air, on_log), ""]
    return "\n".join([*parts, *cautions(air)])


def head(air: AirFindings, now_ms: int) -> str:
    """How much was heard, where and when."""
    where = ", ".join(f"'{printable(name)}'" for name in air.locations)
    if air.from_utc_ms is None or air.to_utc_ms is None:
        return "No scan has told of all that is heard"
    begin, end = (format_local(at, air.zone, now_ms) for at in (air.from_utc_ms, air.to_utc_ms))
    asked = f"; shares are of the {air.n_counted:,} that tell of all channels" if air.n_counted < air.n_looks else ""
    return f"{counted(air.n_looks, 'full scan')} on {counted(air.n_days, 'day')} at {where}, {begin} to {end}{asked}"


def own_lines(air: AirFindings) -> list[str]:
    """The own network's channels, and what its access point tells stations of limits."""
    return [f"{own_words(own)}" for own in air.own]


def own_words(own: OwnChannel) -> str:
    name = "your network" if own.ssid is None else f"'{printable(own.ssid)}'"
    how = "the laptop's link" if own.linked else "heard only"
    says = []
    if own.country is not None:
        limit = "" if own.country_max_dbm is None else f", at most {own.country_max_dbm} dBm on this channel"
        nowhere = " (a code that no country has, as the simulation's)" if _NO_COUNTRY.fullmatch(own.country) else ""
        says.append(f"country {printable(own.country)}{nowhere}{limit}")
    if own.power_constraint_db is not None:
        says.append(f"stations stay {own.power_constraint_db} dB below the limit")
    told = f"; its beacons say: {', '.join(says)}" if says else "; its beacons say nothing of country or power"
    if own.eirp_dbm is not None:
        told += f"; as you told, it radiates {own.eirp_dbm:.1f} dBm EIRP"
    channel = f"channel {name_of(own.channel, own.on.primary_mhz)}, {own.on.width_mhz:g} MHz wide"
    return f"{name}, {band_name(own.band)}: {channel} ({how}){told}"


def bands_of(air: AirFindings) -> list[str | None]:
    return list(dict.fromkeys(channel.band for channel in air.channels))


def name_of(channel: int | None, mhz: float) -> str:
    return f"{mhz:g} MHz" if channel is None else str(channel)


def channel_row(one: ChannelHeard) -> tuple[str, ...]:
    return (
        name_of(one.channel, one.frequency_mhz) + (" yours" if one.own else ""),
        at_a_look(one.n_neighbours, one.neighbours_at_a_look),
        at_a_look(one.n_reaching, one.reaching_at_a_look),
        level(one.rssi_median_dbm, one.rssi_p95_dbm),
        ", ".join(f"{share} ({n})" for share, n in loads(one)),
        "" if one.busy_share is None else f"{percent(one.busy_share)} ({one.n_busy:,} {one.busy_from})",
        number(one.noise_dbm, 0) if one.noise_dbm is not None else "",
        "" if one.relation is None or one.overlap is None else falls(one.overlap, one.relation),
        busiest(one),
    )


def at_a_look(n: int, mean: float) -> str:
    """ "2 (1.5)": so many, and at a look."""
    return f"{n} ({mean:.1f})" if n else "0"


def loads(one: ChannelHeard) -> list[tuple[str, str]]:
    """As the own access point finds the channel, and as others do, with of how many: they stand in other places, and
    what the own sends is mostly its own network's."""
    own = [] if one.own_load is None else [(f"yours {percent(one.own_load)}", f"{one.n_own_load:,}")]
    others = "others " if own else ""
    return own + ([] if one.load is None else [(f"{others}{percent(one.load)}", f"{one.n_load:,}")])


def radios_shown(air: AirFindings, band: str | None) -> tuple[list[RadioHeard], int]:
    """The radios of a band that people are shown, in their order, and how many more there are: who passes by with a
    telephone that serves others is heard once and never again, and so are addresses that somebody makes up."""
    radios = [one for one in air.radios if one.band == band]
    often = [at for at, one in enumerate(radios) if one.own or one.presence.share >= LEAST_SHOWN_SHARE]
    often.sort(key=lambda at: (not radios[at].own, -radios[at].presence.share))
    shown = sorted(often[:MOST_SHOWN])
    return [radios[at] for at in shown], len(radios) - len(shown)


def more_radios(n_more: int) -> list[str]:
    """A line for those not shown, where there are any."""
    return (
        [f"and {counted(n_more, 'more radio')} heard less; linktrial channels --json tells them all"] if n_more else []
    )


def radio_row(one: RadioHeard) -> tuple[str, ...]:
    more = f" and {len(one.also_bssid)} more" if one.also_bssid else ""
    return (
        name_of(one.channel, one.frequency_mhz),
        "" if one.width_mhz is None else f"{one.width_mhz} MHz",
        f"{percent(one.presence.share)} ({one.presence.n_heard:,})",
        level(one.presence.rssi_median_dbm, one.presence.rssi_p95_dbm),
        "" if one.presence.load is None else f"{percent(one.presence.load)} ({one.presence.n_load:,})",
        "yours" if one.own else "" if one.relation is None or one.overlap is None else falls(one.overlap, one.relation),
        "(hidden)" if one.ssid is None else f"'{printable(one.ssid)}'",
        printable(one.bssid) + more,
    )


def falls(overlap: float, relation: str) -> str:
    """How much of what it sends, and what that makes the two: "50 %: overlaps"."""
    return f"{percent(overlap)}: {relation}" if overlap >= LEAST_OVERLAP else relation


def percent(share: float) -> str:
    """Whole percents, and that there is something where there is."""
    return f"{100 * share:.0f} %" if share == 0 or share >= 0.01 else "under 1 %"


def level(median_dbm: float | None, p95_dbm: float | None) -> str:
    return "" if median_dbm is None else f"{number(median_dbm, 0)} ({number(p95_dbm, 0)})"


def busiest(one: ChannelHeard) -> str:
    """ "18 to 21 h: 46 %", where a time of the day stands out."""
    if one.busiest_hours is None:
        return ""
    begin, end = one.busiest_hours
    return f"{begin} to {end} h: {percent(one.by_hours[begin // HOURS_A_BIN] or 0.0)}"


def meanings(air: AirFindings) -> list[str]:
    """What the relations that occur are."""
    there = {one.relation for one in air.channels} | {one.relation for one in air.radios}
    return [f"{kind}: {words}" for kind, words in MEANING.items() if kind in there]


def rule_lines(air: AirFindings) -> Iterator[str]:
    """The system's rules, beside the channels."""
    rules: dict[tuple[str | None, str], list[str]] = {}
    for one in air.channels:
        if one.rules is not None:
            names = rules.setdefault((one.band, rule_words(one.rules)), [])
            names.append(name_of(one.channel, one.frequency_mhz))
    yield f"The system's regulatory database, read now for country {printable(air.country or '')}:"
    for (band, words), names in rules.items():
        yield f"  {band_name(band)}, channel {', '.join(names)}: {words}"


def choice_lines(choice: Choice, air: AirFindings, on_log: str = "") -> Iterator[str]:
    """Whether to move, why, and what would show whether it helped."""
    own = next(own for own in air.own if own.band == choice.band)
    here = f"channel {name_of(own.channel, own.on.primary_mhz)}"
    found, best = choice.pick, choice.pick.best
    heard, n_looks = choice.own_heard
    scans = f"{counted(n_looks, 'scan')} on {counted(air.n_days, 'day')}"
    on_own = f"Neighbours that reach into {here} were heard at {percent(heard / max(n_looks, 1))} of {scans}."
    yield f"Another channel on {band_name(choice.band)}?"
    if found.verdict == "too few days":
        yield (
            f"  Cannot be told yet. {on_own} How much days differ shows from {LEAST_DAYS} days on, with"
            f" {LEAST_LOOKS_A_DAY} scans each that tell of all channels."
        )
        return
    if best is None:
        yield f"  Cannot be told. {on_own} {_why_none(choice, own)}"
        return
    there = f"channel {name_of(choice.channel, best.channel.primary_mhz)}"
    if best.channel.width_mhz != own.on.width_mhz:
        there += f" at {best.channel.width_mhz:g} MHz"
    compared = _compared(choice, here, there)
    if found.verdict == "no better":
        yield f"  No channel that was listened to is better by enough. {on_own} {compared} {_missing(found)}"
        if left_out := _left_out(choice):
            yield f"  {left_out}"
        return
    yield f"  {there.capitalize()} looks better than {here}. {on_own} {compared}"
    if left_out := _left_out(choice):
        yield f"  {left_out}"
    yield f"  {_rules_there(choice, own, air)}"
    where = "one spot only" if len(air.locations) == 1 else f"{len(air.locations)} spots"
    yield f"  Heard from {where}: {ROUTER_HEARS_OTHERS}. Another channel alone moves RSSI by several dB either way."
    yield "  To see whether it helped, change it, say so, and go back once:"
    narrower = best.channel.width_mhz != own.on.width_mhz
    width = f" --set radio.{choice.band}.width_mhz={best.channel.width_mhz:g}" if narrower else ""
    yield f'    linktrial changed "{there}" --set radio.{choice.band}.channel={choice.channel}{width}{on_log}'
    if any(one.own and one.busy_from == "samples" for one in air.channels if one.band == choice.band):
        yield f"    linktrial plan --metric busy-share --band {choice.band}{on_log}"
    else:
        yield f"  {NO_PLAN}"


def _why_none(choice: Choice, own: OwnChannel) -> str:
    found = choice.pick
    if found.n_barred:
        return (
            f"Of the other channels {own.on.width_mhz:g} MHz wide that were listened to, the system's rules allow none;"
            f" {found.n_unheard} more were not listened to on {LEAST_DAYS} days."
        )
    return (
        f"On no other channel {own.on.width_mhz:g} MHz wide did this card listen on {LEAST_DAYS} days or more, as far"
        " as its driver tells; where nobody listened, a channel may be full."
    )


def _left_out(choice: Choice) -> str:
    found = choice.pick
    words = []
    if found.n_unheard:
        words.append(f"{counted(found.n_unheard, 'channel')} not listened to often enough")
    if found.n_barred:
        words.append(f"{counted(found.n_barred, 'channel')} that the system's rules do not allow")
    return f"Left out: {', '.join(words)}." if words else ""


def _compared(choice: Choice, here: str, there: str) -> str:
    found = choice.pick
    words = (
        f"{choice.own_neighbours:.1f} neighbours at a look reach into {here},"
        f" {choice.best_neighbours or 0.0:.1f} into {there}{_interval(found.neighbours, 1.0, '')}"
    )
    if found.busy is None:
        return f"{words}. {_why_busy_is_unknown(found, here, there)}"
    points = _interval(found.busy, 100.0, " points")
    more = "more" if found.busy.estimate < 0 else "less"
    busy = f"{abs(100 * found.busy.estimate):.0f} points of a hundred {more} there{points}"
    return f"{words}; busy {busy} ({OWN_TRAFFIC})."


def _why_busy_is_unknown(found: Pick, here: str, there: str) -> str:
    own, best, both = found.busy_days
    if not best:
        return f"How busy {there} is is not known: no day has {LEAST_LOOKS_A_DAY} visits of scans that counted it."
    if not own:
        return f"How busy {here} is is not known: neither the link's samples nor scans' visits counted it."
    days = f"of {here} on {counted(own, 'day')}, of {there} on {best}, of both on {both}"
    return (
        f"How much less busy it is there cannot be told yet: how busy they are is known {days}; it takes {LEAST_DAYS}."
    )


def _missing(found: Pick) -> str:
    """What it would have taken, and what of it was not there."""
    says = {
        "fewer neighbours": "not so many fewer",
        "fewer neighbours beyond doubt": "the interval of neighbours does not lie above zero",
        "less busy": "not so much less busy",
        "less busy beyond doubt": "the interval of busy time does not lie above zero",
    }
    if found.neighbours is not None:
        says["fewer neighbours"] = f"{number(found.neighbours.estimate, 2)} fewer are not enough"
    if found.busy is not None:
        says["less busy"] = f"{number(100 * found.busy.estimate, 1)} points less are not enough"
    asked = f"{number(found.least_fewer, 2)} neighbours fewer at a look"
    if found.busy is not None:
        asked += f", and {100 * found.least_less_busy:.0f} points less busy"
    return f"It takes at least {asked}, beyond doubt: {'; '.join(says[each] for each in found.missing)}."


def _interval(found: Difference | None, times: float, unit: str) -> str:
    if found is None:
        return ", never on one day"
    if found.low is None or found.high is None:
        return f", over {counted(found.n_days, 'day')} only"
    days = counted(found.n_days, "day")
    if found.high - found.low < 1e-6:
        return f" (the same difference on each of {days})"
    for digits in (1, 2, 3) if times == 1 else (0, 1, 2):  # as many as its ends differ in
        low, high = (number(times * end, digits) for end in (found.low, found.high))
        if low != high:
            break
    return f" (less by [{low}, {high}]{unit}, 95 %, from day to day over the {days} that tell of both)"


def _rules_there(choice: Choice, own: OwnChannel, air: AirFindings) -> str:
    best, rules = choice.pick.best, choice.rules
    if rules is None:
        radar = best is not None and radar_in_most_countries(best.channel)
        dfs = "; in most countries the router has to listen for radar there (DFS), and to leave when it hears one"
        return f"Which rules hold there was not read{dfs if radar else ''}; {WHOSE_WORD_HOLDS} ({EIRP_WORDS})."
    limit = rules.max_eirp_dbm
    too_much = limit is not None and own.eirp_dbm is not None and own.eirp_dbm > limit
    power = f" As you told, the router radiates {own.eirp_dbm:.1f} dBm: turn it down first." if too_much else ""
    country = printable(air.country or "")
    return f"The system's rules there ({country}): {rule_words(rules)}; {WHOSE_WORD_HOLDS} ({EIRP_WORDS}).{power}"


def cautions(air: AirFindings) -> list[str]:
    """What a reader must know beside it."""
    said = []
    if air.band is not None and not air.channels:
        said.append(
            f"Nothing was heard on {band_name(air.band)}, and no scan tells that the card listened there: likely it"
            " cannot, or the rules in force do not let it ('linktrial check' says which bands are heard)."
        )
    if air.n_looks and not air.n_asked:
        said.append(
            "No scan was linktrial's own: it saw what other programs' scans had left, which may leave out channels"
            " ('linktrial check' says which right is missing)."
        )
    if air.choices:
        said.append(
            "In a scan the card is on each channel for a moment, and on its own in between, where it hears more: so a"
            f" channel counts as better only with at least a third fewer neighbours and {LEAST_FEWER:g} fewer at a"
            f" look, and {100 * LEAST_LESS_BUSY:.0f} points of a hundred less busy where that is known of both."
        )
    if air.country is None:
        said.append(f"Rules of channels (DFS, power, indoors) were not read: {air.no_rules}; {WHOSE_WORD_HOLDS}.")
    if any(channel.band == "2.4" for channel in air.channels):
        said.append("In 2.4 GHz, what falls into a channel is the most that the standard's spectral masks allow.")
    return said


def air_json(air: AirFindings, on_log: str = "") -> dict[str, Any]:
    """For machines: everything but the means of single days."""
    told = asdict(air)
    for choice, shown in zip(air.choices, told["choices"], strict=True):
        best = shown["pick"].pop("best")
        shown["best"] = None if best is None else best["channel"]
        shown |= shown.pop("pick") | {"words": " ".join(line.strip() for line in choice_lines(choice, air, on_log))}
    return told | {"cautions": cautions(air)}
