"""Scripts, at either pace, for a user without any privilege: none to gain, none to lose."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[4]
NOBODY = 65534

# In a mount namespace of its own, /dev/fuse gets the mode that distributions give it.
AS_NOBODY = """
set -eu
node=$(mktemp -d /var/tmp/fuse.XXXXXX)
mknod "$node/fuse" c 10 229
chmod 666 "$node/fuse"
mount --bind "$node/fuse" /dev/fuse
rm -r "$node"
exec setpriv --reuid 65534 --regid 65534 --clear-groups --no-new-privs --bounding-set=-all "$@"
"""


@pytest.mark.slow
@pytest.mark.skipif(os.geteuid() != 0, reason="only user 0 can become another one")
@pytest.mark.parametrize("options", [["--strict-time"], ["--pace", "real"]], ids=["virtual", "real"])
def test_a_script_runs_without_any_privilege(options: list[str]) -> None:
    python = shutil.which("python3", path="/usr/bin:/usr/local/bin")
    packages = next(path for path in sys.path if path.endswith("site-packages"))
    version = f"{sys.version_info.major}.{sys.version_info.minor}"
    asked = [python or "python3", "-c", "import sys; print('%d.%d' % sys.version_info[:2])"]
    if (
        python is None
        or subprocess.run(asked, check=True, capture_output=True, text=True).stdout.strip() != version
    ):
        pytest.skip("no Python of this version that every user may run")
    if not all(path.stat().st_mode & 0o001 for path in (*TOP.parents, TOP)):
        pytest.skip("not every user may enter this checkout")
    environment = {
        "PATH": os.environ["PATH"],
        "HOME": "/nonexistent",
        "TMPDIR": "/var/tmp",  # noqa: S108 # one that every user may write to
        "PYTHONPATH": f"{TOP}:{packages}",
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    program = "from hil.cli.main import run; run()"
    is_virtual = options == ["--strict-time"]
    script = "cd /sys/class/gpio; echo 84 >export; ls | grep gpio84; umask >/tmp/a; gpioget gpiochip0 85; "
    script += "dmesg --notime | head -n 1" + ("; sleep 3; cat /proc/uptime" if is_virtual else "")
    command = ["unshare", "-m", "sh", "-c", AS_NOBODY, "sh", python, "-c", program]
    command += ["script", "gauge-station", *options, "--", "sh", "-c", script]
    result = subprocess.run(
        command, cwd="/", env=environment, check=False, capture_output=True, text=True, timeout=60
    )

    assert result.returncode == 0, result.stderr
    said = ["gpio84", "0", "Booting Linux on physical CPU 0x0", *["1003.00 1003.00"] * is_virtual]
    assert result.stdout.splitlines() == said
    assert ("exact" in result.stderr) is is_virtual
