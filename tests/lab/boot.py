"""Boots a Linux kernel with software Wi-Fi radios, on a machine that has neither a Wi-Fi card nor KVM.

Debian's own kernel runs in qemu under plain emulation. Its root is the host's / over virtio-9p, read-only, under
a layer in memory: the virtual environment that runs the tests is there as it is, and nothing the guest writes
reaches the host. A second, writable folder carries results out. mac80211_hwsim gives three radios; hostapd and
wpa_supplicant make a real WPA2 association over them (air.py).

The guest's time is counted in its own instructions, 4 ns each: a busy host does not disturb it, and where every
process sleeps it jumps to the next timer, so that minutes pass in seconds (see pace.py).

The work folder is .lab in the repository, or LINKTRIAL_LAB_DIR; kernel and initramfs are made once and kept. Root
is not needed. By hand:

    python tests/lab/boot.py                      # the whole story of guest.py; results in .lab/results
    python tests/lab/boot.py --script FILE        # any shell script, as root inside the guest
"""

from __future__ import annotations

import argparse
import fcntl
import lzma
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
REPOSITORY = HERE.parents[1]
BEFORE_ROOT = ("virtio_pci", "9pnet_virtio", "9p", "overlay")
AFTER_ROOT = ("mac80211_hwsim", "ccm", "ctr", "cmac", "gcm", "bridge", "sch_tbf")
REGULATORY = ("/lib/firmware/regulatory.db", "/lib/firmware/regulatory.db.p7s")
PROGRAMS = (
    *("qemu-system-x86_64", "busybox", "depmod", "modprobe", "apt-get", "apt-cache", "dpkg-deb", *REGULATORY),
    *("hostapd", "hostapd_cli", "wpa_supplicant", "wpa_cli", "iw", "ip", "tc", "setpriv"),
)
GUEST_IS_DONE = "guest script ended with 0"  # as init.sh says it
SYSTEM_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"


class LabError(Exception):
    """The guest did not boot or did not finish; the message ends with the last lines of its console."""


@dataclass(frozen=True)
class Machine:
    """What qemu boots."""

    kernel: Path
    initramfs: Path


def work_folder() -> Path:
    """Where the lab keeps its kernel and leaves its results."""
    return Path(os.environ.get("LINKTRIAL_LAB_DIR") or REPOSITORY / ".lab").resolve()


def prepare(work: Path) -> Machine:
    """Fetch Debian's kernel as a file and build the initramfs, unless both are there already. Safe to be called by
    several processes at once."""
    work.mkdir(parents=True, exist_ok=True)
    with open(work / "lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        return _prepare(work)


def _prepare(work: Path) -> Machine:
    machine = Machine(work / "vmlinuz", work / "initramfs.gz")
    built_from = work / "built-from.txt"
    recipe = (HERE / "init.sh").read_text(encoding="utf-8") + " ".join((*BEFORE_ROOT, *AFTER_ROOT))
    if built_from.exists() and built_from.read_text(encoding="utf-8") == recipe:
        return machine
    built_from.unlink(missing_ok=True)
    with tempfile.TemporaryDirectory(dir=work) as scratch:
        unpacked, tree = Path(scratch, "unpacked"), Path(scratch, "initramfs")
        _fetch_kernel(Path(scratch), unpacked)
        _build_initramfs(next(unpacked.glob("**/lib/modules/*")), tree, machine.initramfs)
        shutil.copy(next(unpacked.glob("boot/vmlinuz-*")), machine.kernel)
    built_from.write_text(recipe, encoding="utf-8")  # last: it says that the rest is whole
    return machine


def boot(work: Path, results: Path, script: str, *, limit_s: float = 900) -> None:
    """Run a shell script as root inside the guest; it finds the folder ``results`` at /run/results.

    The guest has one processor, 1 GiB, and a clock that starts right.
    """
    machine = prepare(work)
    shutil.rmtree(results, ignore_errors=True)
    results.mkdir()
    (results / "start.sh").write_text(script, encoding="utf-8")
    command = [
        *("qemu-system-x86_64", "-accel", "tcg,thread=single", "-cpu", "max", "-m", "1024"),
        *("-icount", "shift=2,sleep=off", "-rtc", "base=utc,clock=vm"),
        *("-display", "none", "-nodefaults", "-no-reboot", "-serial", f"file:{results}/console.txt"),
        *("-kernel", str(machine.kernel), "-initrd", str(machine.initramfs)),
        *("-append", "console=ttyS0 panic=-1 quiet"),
        *("-virtfs", "local,path=/,mount_tag=hostroot,security_model=none,readonly=on,multidevs=remap"),
        *("-virtfs", f"local,path={results},mount_tag=results,security_model=none"),
    ]
    try:
        subprocess.run(command, env=_environment(), stdin=subprocess.DEVNULL, check=True, timeout=limit_s)
    except subprocess.TimeoutExpired:
        raise LabError(f"the guest was not done after {limit_s:.0f} s\n{console(results)}") from None
    except subprocess.CalledProcessError as error:
        raise LabError(f"qemu ended with {error.returncode}\n{console(results)}") from None
    if GUEST_IS_DONE not in console(results):
        raise LabError(f"the guest's script failed\n{console(results)}")


def story() -> str:
    """The script that plays guest.py with this very interpreter, beside which the program is installed."""
    return f'export PATH="{SYSTEM_PATH}"\nexec "{sys.executable}" "{HERE / "guest.py"}" 2>&1\n'


def console(results: Path, lines: int = 40) -> str:
    """The last lines of the guest's console."""
    path = results / "console.txt"
    text = path.read_text(encoding="utf-8", errors="replace") if path.exists() else "(no console output)"
    return "\n".join(text.splitlines()[-lines:])


def _fetch_kernel(scratch: Path, into: Path) -> None:
    depends = _output("apt-cache", "depends", "linux-image-amd64")
    package = next((line.split()[1] for line in depends.splitlines() if "Depends:" in line), None)
    if package is None:
        raise LabError("apt knows no linux-image-amd64: run 'apt-get update'")
    _output("apt-get", "-qq", "download", package, cwd=scratch)
    _output("dpkg-deb", "--extract", str(next(scratch.glob(f"{package}_*.deb"))), str(into))


def _build_initramfs(modules: Path, tree: Path, archive: Path) -> None:
    """busybox, init.sh, the regulatory database, and the modules with all that they depend on."""
    for folder in ("bin", "proc", "sys", "dev", "newroot", "host", "layer", "lib/firmware"):
        (tree / folder).mkdir(parents=True)
    shutil.copy(_which("busybox"), tree / "bin/busybox")
    shutil.copy(HERE / "init.sh", tree / "init")
    (tree / "init").chmod(0o755)
    for path in REGULATORY:
        shutil.copy(path, tree / "lib/firmware")
    root = modules.parents[2]  # of ROOT/lib/modules/VERSION
    _output("depmod", "-b", str(root), modules.name)
    target = tree / "lib/modules" / modules.name
    for module in (*BEFORE_ROOT, *AFTER_ROOT):
        plan = _output("modprobe", "-d", str(root), "-S", modules.name, "--show-depends", module)
        for line in plan.splitlines():
            if line.startswith("insmod"):
                _copy_module(Path(line.split()[1]), modules, target)
    for name in ("modules.builtin", "modules.order"):
        shutil.copy(modules / name, target)
    _output("depmod", "-b", str(tree), modules.name)
    names = "\n".join(str(path.relative_to(tree)) for path in sorted(tree.rglob("*"))).encode()
    pack = f"'{_which('busybox')}' cpio -o -H newc | gzip -1 > '{archive}'"
    subprocess.run(["bash", "-o", "pipefail", "-c", pack], cwd=tree, input=names, stderr=subprocess.DEVNULL, check=True)


def _copy_module(path: Path, modules: Path, target: Path) -> None:
    """Newer Debian kernels ship modules packed with xz; the guest's loader is spared from knowing that."""
    copy = target / path.relative_to(modules)
    copy.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".xz":
        copy.with_suffix("").write_bytes(lzma.decompress(path.read_bytes()))
    else:
        shutil.copy(path, copy)


def _output(*command: str, cwd: Path | None = None) -> str:
    done = subprocess.run(command, cwd=cwd, env=_environment(), capture_output=True, text=True)
    if done.returncode:
        raise LabError(f"'{' '.join(command)}' ended with {done.returncode}: {done.stderr.strip()}")
    return done.stdout


def _environment() -> dict[str, str]:
    return {**os.environ, "PATH": f"{os.environ.get('PATH', '')}:{SYSTEM_PATH}"}


def _which(program: str) -> str:
    found = shutil.which(program, path=_environment()["PATH"])
    if found is None:
        raise LabError(f"there is no program '{program}'; tests/system-packages names its package")
    return found


def main() -> None:
    """Boot once and show the console."""
    parser = argparse.ArgumentParser(description="Boot the lab once.")
    parser.add_argument("--script", type=Path, help="a shell script instead of the story of guest.py")
    parser.add_argument("--results", type=Path, help="folder for what the guest carries out; it is emptied first")
    args = parser.parse_args()
    script = args.script.read_text(encoding="utf-8") if args.script else story()
    results = (args.results or work_folder() / "results").resolve()
    try:
        boot(work_folder(), results, script)
    except LabError as error:
        sys.exit(f"lab: {error}")
    print(console(results, 1000))


if __name__ == "__main__":
    main()
