# What is played under a real systemd, as root: the services are installed, work, hang, and are taken away.
# What was seen goes to /run/results, a file each. It judges nothing: test_under_systemd.py does.
set -u
results=/run/results
db=/home/anna/.local/share/linktrial/linktrial.db
keep() { # NAME COMMAND...: what it said, and its code
    local name=$1
    shift
    "$@" >"$results/$name.txt" 2>&1
    echo "$?" >"$results/$name.code"
}
as_anna() { su anna -c "export XDG_RUNTIME_DIR=$runtime; $*"; }
drop_in() { # FOLDER EXECSTART LINES...: a simulated radio instead of a card, and less patience
    mkdir -p "$1"
    { printf '[Service]\nExecStart=\nExecStart=%s\nRestartSec=1\n' "$2"; shift 2; printf '%s\n' "$@"; } >"$1/story.conf"
}

useradd --create-home --user-group --shell /bin/bash anna
runtime=/run/user/$(id -u anna)
as_anna "mkdir -p ~/.config/linktrial; printf 'review_every_s = 3\ncommit_s = 1\n' > ~/.config/linktrial/settings.toml; echo private > ~/letter"
# a far end beside it, on loopback, which here stands for the link
ip link set lo up
as_anna "$LINKTRIAL far-end --listen 127.0.0.1 --no-announce --token-file ~/token >/dev/null 2>&1 &"
for ((n = 0; n < 100; n++)); do [ -s /home/anna/token ] && break; sleep 0.2; done
keep pair as_anna "$LINKTRIAL probe --pair 127.0.0.1 --simulated 1 --interface lo <~/token"
as_anna "printf 'probe_every_s = 10\nprobe_seconds = 4\nprobe_on_battery = 1\nprobe_daily_mb = 0\nprobe_far_end = \"127.0.0.1\"\n' >> ~/.config/linktrial/settings.toml"
as_anna "$LINKTRIAL far-end --show-token >/dev/null"
find /etc/systemd /home/anna -not -path '*/.cache*' | sort >"$results/before.txt"

# the machine's unit
drop_in /run/systemd/system/linktrial.service.d "$LINKTRIAL log --db $db --simulated 1 --interval 0.5 --interface lo"
export SUDO_USER=anna
keep install $LINKTRIAL service install --system
unset SUDO_USER
for ((n = 0; n < 100; n++)); do [ "$(systemctl is-active linktrial)" = active ] && break; sleep 0.2; done
keep at as_anna "$LINKTRIAL at 'kiln room'"
keep changed as_anna "$LINKTRIAL changed 'longer antennas'"

# the far end as a service of the machine: the unit to copy, told where this program lies
units=$($PYTHON -c 'import logger, pathlib; print(pathlib.Path(logger.__file__).parents[1] / "systemd/system")')
cp "$units/linktrial-far-end@.service" /run/systemd/system/
drop_in "/run/systemd/system/linktrial-far-end@.service.d" "$LINKTRIAL far-end --port 47318 --no-announce" \
    "$(grep ^BindReadOnlyPaths= /etc/systemd/system/linktrial.service)"
systemctl daemon-reload
keep far_end_start systemctl start linktrial-far-end@anna

# beside it: one whose reading hangs, and one whose interval is longer than the watchdog's patience
cat >/run/hangs.py <<'PROGRAM'
import sys, time
from adapters.simulated.radio import SimulatedRadio
from logger.console import main
read, n_read = SimulatedRadio.read, 0
def hangs(self):
    global n_read
    n_read += 1
    if n_read > 9:
        time.sleep(600)
    return read(self)
SimulatedRadio.read = hangs
sys.exit(main(sys.argv[1:]))
PROGRAM
for name in hangs slow judges; do
    sed 's|^BindPaths=.*|BindPaths=/run/logs|' /etc/systemd/system/linktrial.service >/run/systemd/system/$name.service
done
cat >/run/judges.py <<'PROGRAM'
from concurrent.futures import ProcessPoolExecutor
import numpy, pandas, scipy.linalg, scipy.optimize, scipy.stats
import dashboards.comparison, dashboards.review
matrix = numpy.eye(400) + 0.1
found = [scipy.linalg.cholesky(matrix).sum(), scipy.optimize.brentq(lambda x: x - 2, 0, 9), pandas.Series([1, 3]).mean()]
with ProcessPoolExecutor(2) as pool:
    print("judged", round(found[1]), list(pool.map(abs, [-1, -2])))
PROGRAM
mkdir -m 777 /run/logs
drop_in /run/systemd/system/hangs.service.d \
    "$PYTHON -P /run/hangs.py log --db /run/logs/hangs.db --simulated 1 --interval 0.2" WatchdogSec=2
drop_in /run/systemd/system/slow.service.d \
    "$LINKTRIAL log --db /run/logs/slow.db --simulated 1 --interval 3600" WatchdogSec=14
drop_in /run/systemd/system/judges.service.d "$PYTHON -P /run/judges.py" Type=oneshot Restart=no StandardOutput=journal
systemctl daemon-reload
keep slow_start systemctl start slow
systemctl start --no-block hangs
systemctl start --no-block judges

# the owner's own
mkdir -p $runtime && chown anna:anna $runtime && chmod 700 $runtime
cat >/run/systemd/system/own.service <<UNIT
[Service]
Type=notify
User=anna
Delegate=yes
Environment=XDG_RUNTIME_DIR=$runtime
ExecStart=/lib/systemd/systemd --user --unit=basic.target
UNIT
systemctl daemon-reload
keep own_start systemctl start own
drop_in $runtime/systemd/user.control/linktrial.service.d "$LINKTRIAL log --db /home/anna/own.db --simulated 1 --interval 0.5"
chown -R anna:anna $runtime
keep own_install as_anna "$LINKTRIAL service install --db ~/own.db"

sleep 18
keep own_status as_anna "systemctl --user status --no-pager --lines=0 linktrial"
keep own_uninstall as_anna "$LINKTRIAL service uninstall --db ~/own.db"
keep own_gone as_anna "systemctl --user status --no-pager linktrial"

token=$(cat /home/anna/.config/linktrial/far-end-token)
keep far_end_served curl -sS --digest -u "linktrial:$token" -o /dev/null -w '%{http_code} %{size_download}' 'http://127.0.0.1:47318/bytes?count=5000000'
keep far_end systemctl show linktrial-far-end@anna
keep far_end_home nsenter --target "$(systemctl show --value --property=MainPID linktrial-far-end@anna)" --mount find /home -mindepth 1
keep far_end_said journalctl --no-pager --output=cat --unit=linktrial-far-end@anna
systemctl stop linktrial-far-end@anna

pid=$(systemctl show --value --property=MainPID linktrial)
keep show systemctl show linktrial
keep status as_anna "$LINKTRIAL status --json"
# a probe of the daemon's has been done; on a busy machine its child takes a while to begin
for _ in $(seq 60); do
    as_anna "$PYTHON -c \"import sqlite3, sys; sys.exit(not sqlite3.connect('$db').execute('SELECT 1 FROM probe WHERE outcome = ? AND id IN (SELECT probe_id FROM transfer)', ('done',)).fetchone())\"" && break
    sleep 1
done
keep probes as_anna "$PYTHON -c \"import sqlite3; print(*sqlite3.connect('$db').execute('SELECT outcome, (SELECT count(*) FROM transfer WHERE probe_id = probe.id), far_end, words FROM probe'), sep='\n')\""
keep home nsenter --target "$pid" --mount find /home -mindepth 1
keep process cat "/proc/$pid/status"
keep slack cat "/proc/$pid/timerslack_ns"
keep folder stat --format '%n %U %a' /home/anna/.local/share/linktrial/*
keep hangs systemctl show hangs
keep hangs_said journalctl --no-pager --output=cat --unit=hangs
keep judges journalctl --no-pager --output=cat --unit=judges
keep slow systemctl show slow
systemctl stop linktrial slow hangs
keep stopped systemctl show linktrial
keep journal journalctl --no-pager --output=json LINKTRIAL_EVENT=logger-stopped _SYSTEMD_UNIT=linktrial.service
export SUDO_USER=anna
keep uninstall $LINKTRIAL service uninstall --system
keep gone systemctl status --no-pager linktrial
find /etc/systemd /home/anna -not -path '*/.cache*' | sort >"$results/after.txt"
touch "$results/done"
