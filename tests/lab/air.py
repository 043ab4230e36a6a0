"""What is in the air inside the guest: a dual-band router with hostapd, a laptop with wpa_supplicant.

mac80211_hwsim made three radios. The router's two, phy0 on 5 GHz and phy2 on 2.4 GHz, live in the network
namespace "router" under one bridge and one network name; phy1 stays outside and is the laptop's. What the laptop
hears is set at the sender: RSSI = the radio's hwsim/rx_rssi + its transmit power. Standard library only; root only.
"""

from __future__ import annotations

import re
import socket
import struct
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

NAMESPACE = "router"
ROUTER_ADDRESS, LAPTOP_ADDRESS = "10.9.0.1", "10.9.0.2"
SSID, PASSPHRASE = "Pottery", "clay and water"
LAPTOP = "wlan1"
NETWORK = f"""\
ctrl_interface=/run/wpa
country=DE
network={{
 ssid="{SSID}"
 psk="{PASSPHRASE}"
 scan_freq=5180 5200 5260 2437
 disable_sgi=1
}}
"""
EVERY_BAND = f"""\
driver=nl80211
bridge=br0
ssid={SSID}
country_code=DE
ieee80211d=1
ieee80211n=1
wmm_enabled=1
wpa=2
wpa_key_mgmt=WPA-PSK
rsn_pairwise=CCMP
wpa_passphrase={PASSPHRASE}
"""
FIVE_GHZ = """\
hw_mode=a
channel=36
ieee80211h=1
local_pwr_constraint=3
ieee80211ac=1
ht_capab=[HT40+]
vht_oper_chwidth=1
vht_oper_centr_freq_seg0_idx=42
"""
# radar has the right of way: a minute of listening comes first, and where it is heard channel 40 is the way out
RADAR_CHANNEL = """\
hw_mode=a
channel=52
chanlist=40 52
ieee80211h=1
"""
LISTENING_S = 60
# without the rates of 802.11b, which rate control would mix in however the rate is fixed
TWO_GHZ = """\
hw_mode=g
channel=6
bss_load_update_period=50
basic_rates=60 120 240
supported_rates=60 90 120 180 240 360 480 540
"""


class AccessPoint:
    """One radio of the router. Levels are what the laptop hears, in dBm."""

    def __init__(self, interface: str, settings: str) -> None:
        phy = Path("/sys/class/net", interface, "phy80211/name").read_text().strip()
        self.interface = interface
        self._settings = Path(f"/run/{interface}.conf")
        self.configure(settings)
        self._switches = Path(f"/sys/kernel/debug/ieee80211/{phy}/hwsim")
        self._power_dbm = 0
        self._hostapd: subprocess.Popen[bytes] | None = None
        self.bssid = Path(f"/sys/class/net/{interface}/address").read_text().strip()
        run("iw", "phy", phy, "set", "netns", "name", NAMESPACE)

    def configure(self, settings: str) -> None:
        """What the next start does."""
        self._settings.write_text(f"interface={self.interface}\nctrl_interface=/run/hostapd\n{EVERY_BAND}{settings}")

    def start(self, listening: Callable[[float], None] | None = None) -> None:
        """On the air, bridged. ``listening`` lets the time pass in which a radar channel is listened to."""
        log = open(f"/run/results/hostapd-{self.interface}.txt", "ab")  # noqa: SIM115
        self._hostapd = subprocess.Popen([*IN_ROUTER, "hostapd", str(self._settings)], stdout=log, stderr=log)
        if listening:
            wait_for("listening for radar", lambda: "state=DFS" in self.command("status"))
            listening(LISTENING_S)
        wait_for(f"{self.interface} on the air", lambda: "ENABLED" in self.command("status"))
        power = re.search(r"txpower (\d+)", run(*IN_ROUTER, "iw", "dev", self.interface, "info"))
        assert power, f"{self.interface} sends nothing"
        self._power_dbm = int(power[1])

    def stop(self) -> None:
        """Off the air in good order: every station is told."""
        assert self._hostapd is not None
        self._hostapd.terminate()
        self._hostapd.wait(10)

    def command(self, *words: str) -> str:
        """Say something to hostapd and return its answer."""
        return run(*IN_ROUTER, "hostapd_cli", "-p", "/run/hostapd", "-i", self.interface, *words, check=False)

    def set_level(self, rssi_dbm: int) -> None:
        """From the next frame on the laptop hears this radio at the level given."""
        file, written = self._switches / "rx_rssi", rssi_dbm - self._power_dbm
        try:
            file.write_text(str(written))
        except OSError:  # Linux 6.1 takes no minus sign
            file.write_text(str(written % 2**64))

    def fix_rate(self, *rate: str) -> None:
        """Send data to the laptop at this rate only, in iw's words."""
        run(*IN_ROUTER, "iw", "dev", self.interface, "set", "bitrates", *rate)

    def set_mains(self, on: bool) -> None:
        """Pull the plug or put it back: in silence, without a word to any station."""
        (self._switches / "group").write_text("1" if on else "2")

    def hear_radar(self) -> None:
        """Let the radio believe that there is one on its channel."""
        (self._switches / "dfs_simulate_radar").write_text("1")


class Laptop:
    """The radio outside, driven by wpa_supplicant; its readings by iw are the oracle."""

    def __init__(self) -> None:
        Path("/run/laptop.conf").write_text(NETWORK)
        self._supplicant: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Begin to look for the network."""
        log = open("/run/results/wpa_supplicant.txt", "ab")  # noqa: SIM115
        command = ["wpa_supplicant", "-t", "-i", LAPTOP, "-c", "/run/laptop.conf", "-D", "nl80211"]
        self._supplicant = subprocess.Popen(command, stdout=log, stderr=log)
        wait_for("the laptop's control socket", Path("/run/wpa", LAPTOP).exists)
        run("ip", "addr", "replace", f"{LAPTOP_ADDRESS}/24", "dev", LAPTOP)

    def stop(self) -> None:
        """No supplicant any more; the interface goes down."""
        assert self._supplicant is not None
        self._supplicant.terminate()
        self._supplicant.wait(10)

    def command(self, *words: str) -> str:
        """Say something to wpa_supplicant and return its answer."""
        return run("wpa_cli", "-p", "/run/wpa", "-i", LAPTOP, *words, check=False)

    def fix_rate(self, *rate: str) -> None:
        """Send data at this rate only, in iw's words."""
        run("iw", "dev", LAPTOP, "set", "bitrates", *rate)

    def set_airplane_mode(self, on: bool) -> None:
        """Block the radio, or lift the block, as a desktop does; its network manager sets the interface up again."""
        phy = Path("/sys/class/net", LAPTOP, "phy80211")
        [switch] = [folder for folder in phy.resolve().iterdir() if folder.name.startswith("rfkill")]
        (switch / "soft").write_text("1" if on else "0")
        if not on:
            run("ip", "link", "set", LAPTOP, "up")

    def frequency_mhz(self) -> int | None:
        """Of the link by iw, None without a link."""
        link = run("iw", "dev", LAPTOP, "link", check=False)
        found = re.search(r"freq: (\d+)", link)
        return int(found[1]) if found and "Connected to" in link else None

    def wait_for_link(self, frequency_mhz: int, limit_s: float = 30) -> None:
        """Until the laptop is associated and authorised there."""

        def linked() -> bool:
            station = run("iw", "dev", LAPTOP, "station", "dump", check=False)
            return self.frequency_mhz() == frequency_mhz and bool(re.search(r"authorized:\s+yes", station))

        wait_for(f"a link at {frequency_mhz} MHz", linked, limit_s)

    def wait_for_no_link(self, limit_s: float = 30) -> None:
        """Until iw says that there is no link."""
        wait_for("no link", lambda: self.frequency_mhz() is None, limit_s)


IN_ROUTER = ("ip", "netns", "exec", NAMESPACE)


def prepare_air() -> None:
    """The country, and the router's own namespace."""
    run("ip", "link", "set", "lo", "up")
    set_country()
    run("ip", "netns", "add", NAMESPACE)
    run(*IN_ROUTER, "ip", "link", "add", "br0", "type", "bridge")
    run(*IN_ROUTER, "ip", "addr", "add", f"{ROUTER_ADDRESS}/24", "dev", "br0")
    run(*IN_ROUTER, "ip", "link", "set", "br0", "up")


def set_country() -> None:
    """Whose rules hold."""
    run("iw", "reg", "set", "DE")
    wait_for("the country's rules", lambda: "country DE" in run("iw", "reg", "get"))


def delete_radio(phy: str) -> None:
    """A software radio is no more, as a card that was pulled."""
    _ask_hwsim(5, _attribute(17, phy.encode() + b"\0"))


def add_radio(interface: str = LAPTOP) -> None:
    """A new one, whose interface has that name."""
    before = _interfaces()
    _ask_hwsim(4, b"")
    wait_for("a new radio", lambda: bool(_interfaces() - before))
    [found] = _interfaces() - before
    if found != interface:  # a desktop names it after its address, the same each time
        run("ip", "link", "set", found, "name", interface)


def unload_driver() -> None:
    """The driver and the modules that it used, nl80211 with them. They came from the root of the first process."""
    for module in ("mac80211_hwsim", "mac80211", "cfg80211"):
        if Path("/sys/module", module).exists():  # the first takes the others along, where nobody else uses them
            run("modprobe", "-d", "/proc/1/root", "-r", module)
    assert not Path("/sys/module/cfg80211").exists()


def load_driver() -> None:
    """Radios as there were when the guest booted."""
    run("modprobe", "-d", "/proc/1/root", "mac80211_hwsim", "radios=3")
    set_country()


def _interfaces() -> set[str]:
    return {folder.name for folder in Path("/sys/class/net").iterdir() if (folder / "phy80211").exists()}


def _attribute(kind: int, payload: bytes) -> bytes:
    return struct.pack("=HH", 4 + len(payload), kind) + payload + bytes(-len(payload) % 4)


def _ask_hwsim(command: int, attributes: bytes) -> None:
    """Commands and attributes of mac80211_hwsim.h, in generic netlink."""
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, 16) as wire:
        wire.bind((0, 0))
        wire.settimeout(10)

        def ask(family: int, about: bytes) -> bytes:
            wire.send(
                struct.pack("=IHHII", 16 + len(about), family, 1 | 4, 1, 0) + about
            )  # request, to be acknowledged
            answer = wire.recv(65536)
            length, kind = struct.unpack_from("=IH", answer)
            code = struct.unpack_from("=i", answer, 16)[0] if kind == 2 else 0
            if code < 0:  # a new radio is acknowledged by its number
                raise RuntimeError(f"mac80211_hwsim refused command {command}: {code}")
            return answer[20:length]

        about = ask(16, struct.pack("=BBxx", 3, 1) + _attribute(2, b"MAC80211_HWSIM\0"))
        while about:
            length, kind = struct.unpack_from("=HH", about)
            if kind == 1:
                family = struct.unpack_from("=H", about, 4)[0]
            about = about[(length + 3) & ~3 :]
        wire.recv(65536)  # the acknowledgement
        ask(family, struct.pack("=BBxx", command, 1) + attributes)


def start_traffic() -> subprocess.Popen[bytes]:
    """A few small packets a second each way, so that rates are those of data frames."""
    endless = f"while :; do busybox ping -q -i 0.2 {ROUTER_ADDRESS}; sleep 0.5; done"  # ping ends when a link does
    return subprocess.Popen(["sh", "-c", endless], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def run(*command: str, check: bool = True) -> str:
    """Standard output of a command."""
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    if check and done.returncode:
        raise RuntimeError(f"'{' '.join(command)}' ended with {done.returncode}: {done.stderr.strip()}")
    return done.stdout


def wait_for(what: str, true: Callable[[], bool], limit_s: float = 30) -> None:
    """Look four times a second until it is so."""
    end = time.monotonic() + limit_s
    while not true():
        if time.monotonic() > end:
            raise RuntimeError(f"waited {limit_s:.0f} s in vain for {what}")
        time.sleep(0.25)
