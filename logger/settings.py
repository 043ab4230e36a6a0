"""The owner's settings: one TOML file, every key declared once, here.

The command line beats the file, the file beats the defaults. A key that is not known, or a value that cannot
be, is refused in one line; nothing is repaired silently.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import Field, dataclass, field, fields
from difflib import get_close_matches
from math import inf
from pathlib import Path
from typing import Any

from logger.errors import SettingsError


def _key(default: Any, words: str, low: float = -inf, high: float = inf) -> Any:
    return field(default=default, metadata={"words": words, "low": low, "high": high})


@dataclass(frozen=True, slots=True)
class Settings:
    """What can be set. Field names are the keys of the file."""

    interval_s: float = _key(5.0, "Seconds between samples.", 0.1, 3600)
    interface: str = _key("", 'The wireless interface, such as "wlan0". Empty: the one that is found.')
    commit_s: float = _key(10.0, "At most so many seconds of samples can be lost to a power cut.", 0.1, 10)
    keep_samples_days: float = _key(
        400.0, "Samples are given up after so many days; what reports need stays. 0: never.", 0, 36_500
    )
    review_every_s: float = _key(3600.0, "Seconds between judgements of the running trial; 0: none.", 0, 604_800)
    probe_far_end: str = _key(
        "",
        "Whom probes speak to: an address, or the URL of a file on a server of yours. Empty: the far end paired with.",
    )
    probe_every_s: float = _key(1800.0, "Seconds between probes of what the link can carry; 0: none.", 0, 604_800)
    probe_seconds: float = _key(5.0, "Seconds of a probe's transfers, in each direction.", 4, 60)
    probe_streams: float = _key(4.0, "In the second half of them so many streams at once.", 1, 16)
    probe_daily_mb: float = _key(
        10_000.0, "Megabytes a day for probes, shared by all times of day alike; 0: no limit.", 0, 500_000
    )
    probe_on_battery: float = _key(0.0, "Whether to probe on battery, too; 1: yes.", 0, 1)
    probe_on_metered: float = _key(0.0, "Whether to probe on a metered connection, too; 1: yes.", 0, 1)
    watch_every_s: float = _key(
        300.0, "Seconds between looks at the radios of the networks that are watched; 0: none.", 0, 604_800
    )
    washout_s: float = _key(120.0, "Seconds after a change at the router that estimates leave out.", 0, 86_400)
    margin_rssi_db: float = _key(1.0, "A smaller difference of RSSI does not matter, in dB.", 0.01, 40)
    margin_rate_ratio: float = _key(1.1, "A smaller ratio of link rates does not matter.", 1.001, 10)
    margin_outage_min_per_day: float = _key(5.0, "A smaller difference of outage does not matter.", 0.01, 1440)
    margin_dropouts_per_day: float = _key(1.0, "A smaller difference of drop-outs does not matter.", 0.01, 10_000)
    margin_noise_db: float = _key(1.0, "A smaller difference of the noise floor does not matter, in dB.", 0.01, 40)
    margin_retry_ratio: float = _key(1.25, "A smaller ratio of retry shares does not matter.", 1.001, 10)
    margin_transfer_ratio: float = _key(1.2, "A smaller ratio of what transfers get does not matter.", 1.001, 10)
    margin_latency_ratio: float = _key(1.25, "A smaller ratio of latencies does not matter.", 1.001, 10)
    margin_loss_points: float = _key(
        0.5, "A smaller difference of lost requests does not matter, in percentage points.", 0.01, 100
    )
    margin_busy_points: float = _key(
        5.0, "A smaller difference of the channel's busy share does not matter, in percentage points.", 0.01, 100
    )
    needed_rate_mbps: float = _key(
        5.0, "For what share of the time was the link rate under this, in Mbit/s? 0: not asked.", 0, 100_000
    )
    needed_rate_for: str = _key("a video call", "What needs that rate.")


DEFAULTS = Settings()
_KEYS = {key.name: key for key in fields(Settings)}


def settings_path(environ: Mapping[str, str] = os.environ) -> Path:
    """Where the file is looked for: LINKTRIAL_SETTINGS, else the platform's own place. It need not be
    there."""
    if told := environ.get("LINKTRIAL_SETTINGS"):
        return Path(told).expanduser()
    from platformdirs import user_config_path

    return user_config_path("linktrial", appauthor=False) / "settings.toml"


def load_settings(path: Path | None = None) -> Settings:
    """The settings in force: those of the file, the rest by default. No file is no mistake, unless one was named.

    Raises SettingsError for a file that cannot be read, an unknown key, a value of the wrong kind or range.
    """
    path = settings_path() if path is None else path
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        if os.environ.get("LINKTRIAL_SETTINGS"):
            raise SettingsError(f"there is no settings file {path}, where LINKTRIAL_SETTINGS says") from None
        return DEFAULTS
    except OSError as error:
        raise SettingsError(f"{path} cannot be read: {error.strerror}") from error
    import tomllib  # late: most machines have no file, and commands must start fast

    try:
        table = tomllib.loads(text.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} is no TOML: {' '.join(str(error).split())}") from error
    values: dict[str, Any] = {name: _checked(path, name, value) for name, value in table.items()}
    return Settings(**values)


def range_words(name: str) -> str:
    """What may stand behind a key: "a number from 0.1 to 3600"."""
    key = _KEYS[name]
    if isinstance(key.default, str):
        return "a text in quotes"
    return f"a number from {key.metadata['low']:g} to {key.metadata['high']:g}"


def in_range(name: str, value: float) -> bool:
    """Whether a number may stand behind that key; NaN may not."""
    key = _KEYS[name]
    return bool(key.metadata["low"] <= value <= key.metadata["high"])


def settings_text(settings: Settings = DEFAULTS) -> str:
    """A whole settings file that says ``settings``, each key with its line of explanation and its range."""
    blocks = [
        f"# {key.metadata['words']}{_range_note(key)}\n{key.name} = {_toml(getattr(settings, key.name))}\n"
        for key in _KEYS.values()
    ]
    return "\n".join(blocks)


def _checked(path: Path, name: str, value: object) -> str | float:
    key = _KEYS.get(name)
    if key is None:
        near = get_close_matches(name, _KEYS, 1, cutoff=0) or [""]
        raise SettingsError(f"{path}: there is no setting {name!a}; did you mean '{near[0]}'?")
    if isinstance(key.default, str):
        if isinstance(value, str):
            return value
    elif isinstance(value, int | float) and not isinstance(value, bool) and in_range(name, value):
        return float(value)
    raise SettingsError(f"{path}: '{name}' must be {range_words(name)}, not {_shown(value)}")


def _shown(value: object) -> str:
    return text if len(text := ascii(value)) <= 40 else f"a {type(value).__name__}"


def _range_note(key: Field[Any]) -> str:
    return "" if isinstance(key.default, str) else f" {key.metadata['low']:g} to {key.metadata['high']:g}."


def _toml(value: str | float) -> str:
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'
    return f"{value:g}" if value == float(f"{value:g}") else repr(value)
