"""Asks the registry of what is installed here for known vulnerabilities: ``python tests/audit.py``.

Ends with 1 where a package has one that a newer release mends; a vulnerability without a mended release is said and no
more. Where no registry answers, or it does not know the releases, that is said plainly and is no failure: no audit is
no finding. pip-audit (https://pypi.org/project/pip-audit/) asks the JSON API of PyPI.
"""

from __future__ import annotations

import json
import subprocess
import sys
import sysconfig
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

PATIENCE_S = 25  # for all of it
A_REQUEST_S = 5


def ask(folder: Path) -> tuple[dict[str, Any] | None, str]:
    """The answer of pip-audit, and what it said; None where there is no answer."""
    answer = folder / "answer.json"
    command = [
        *(sys.executable, "-P", "-m", "pip_audit", "--path", sysconfig.get_path("purelib"), "--skip-editable"),
        *("--format", "json", "--output", str(answer), "--progress-spinner", "off", "--timeout", str(A_REQUEST_S)),
    ]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    except subprocess.TimeoutExpired:
        return None, f"no answer within {PATIENCE_S} s"
    said = (done.stderr.strip().splitlines() or ["it ended without a word"])[-1]
    try:
        return json.loads(answer.read_text("utf-8")), said
    except (OSError, ValueError):
        return None, said


def verdict(answer: dict[str, Any] | None, said: str) -> tuple[int, list[str]]:
    """An exit code, and lines for people."""
    if answer is None:
        return 0, [f"dependency audit: none, the registry could not be asked ({said[:200]})"]
    packages = answer["dependencies"]
    audited = [package for package in packages if "skip_reason" not in package]
    unknown = len(packages) - len(audited)
    if not audited:
        return 0, [
            f"dependency audit: none, this registry knows none of the releases installed here ({_packages(unknown)})"
        ]
    lines, mended = [], False
    for package in audited:
        for found in package["vulns"]:
            fixed = found["fix_versions"]
            mended |= bool(fixed)
            remedy = f"mended in {', '.join(fixed)}" if fixed else "no release mends it yet"
            lines.append(f"dependency audit: {package['name']} {package['version']} has {found['id']}; {remedy}")
    left = f", {unknown} unknown to the registry" if unknown else ""
    lines.append(f"dependency audit: {_packages(len(audited))} asked about{left}")
    return int(mended), lines


def _packages(n: int) -> str:
    return f"{n} package{'' if n == 1 else 's'}"


def main() -> int:
    """Ask, and say what came of it."""
    with TemporaryDirectory(prefix="linktrial-audit-") as folder:
        code, lines = verdict(*ask(Path(folder)))
    print("\n".join(lines), file=sys.stderr if code else sys.stdout)
    return code


if __name__ == "__main__":
    sys.exit(main())
