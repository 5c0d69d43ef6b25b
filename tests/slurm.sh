#!/usr/bin/env bash
# A SLURM of one node on this machine, for the tests: no systemd, no cgroups, no database.
#   slurm.sh start    wait until it takes jobs; does nothing where it runs already
#   slurm.sh stop     end its daemons, cancel what is left
#   slurm.sh status   0 where it takes jobs
# Wants root and Debian's slurm-wlm and munge. Settings of another SLURM are never touched.
set -euo pipefail

place=/run/sessiongate-slurm
conf=/etc/slurm/slurm.conf # clients look only there, since Snakemake's plugin clears SLURM's variables
mark="# Written by sessiongate's tests/slurm.sh."

fail() {
  echo "slurm.sh: $*" >&2
  exit 1
}

takes_jobs() { [ "$(sinfo --noheader --format=%a-%t 2>/dev/null | sed 's/mix\|alloc/idle/')" = up-idle ]; }

is_ours() { [ ! -e "$conf" ] || grep -qxF "$mark" "$conf"; }

write_conf() {
  local cores memory_mb
  cores=$(($(nproc) * 4)) # more than there are: jobs that only wait keep no other from its turn
  memory_mb=$(awk '/^MemTotal/{print int($2 / 1024 * 0.9)}' /proc/meminfo)
  mkdir -p "${conf%/*}"
  cat >"$conf" <<END
$mark
ClusterName=one
SlurmctldHost=$(hostname -s)(127.0.0.1)
SlurmUser=root
AuthType=auth/munge
CredType=cred/munge
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SlurmdParameters=config_overrides
SelectType=select/cons_tres
SelectTypeParameters=CR_Core_Memory
ReturnToService=2
MpiDefault=none
SwitchType=switch/none
StateSaveLocation=$place/state
SlurmdSpoolDir=$place/spool
SlurmctldPidFile=$place/slurmctld.pid
SlurmdPidFile=$place/slurmd.pid
SlurmctldLogFile=$place/slurmctld.log
SlurmdLogFile=$place/slurmd.log
AccountingStorageType=accounting_storage/none
JobCompType=jobcomp/filetxt
JobCompLoc=$place/jobs.txt
# Memory is looked at every second, and who takes more than was asked for is ended.
JobAcctGatherType=jobacct_gather/linux
JobAcctGatherFrequency=task=1
JobAcctGatherParams=OverMemoryKill
KillWait=2
SchedulerParameters=batch_sched_delay=0,sched_min_interval=0
NodeName=localhost NodeHostname=$(hostname -s) NodeAddr=127.0.0.1 CPUs=$cores RealMemory=$memory_mb
PartitionName=all Nodes=ALL Default=YES MaxTime=INFINITE State=UP
END
}

start() {
  takes_jobs && return
  [ "$(id -u)" = 0 ] || fail "wants root"
  for program in munged slurmctld slurmd sbatch; do
    PATH=$PATH:/usr/sbin command -v "$program" >/dev/null || fail "$program is missing: install slurm-wlm and munge"
  done
  is_ours || fail "$conf is not of these tests: another SLURM is set up here"
  stop
  mkdir -p "$place/state" "$place/spool"
  write_conf
  [ -e /etc/munge/munge.key ] || runuser -u munge -- mungekey --create
  install -d -o munge -g munge /run/munge /var/log/munge /var/lib/munge
  runuser -u munge -- munged --pid-file=/run/munge/sessiongate.pid || munge -n >/dev/null || fail "munged does not start"
  slurmctld
  slurmd
  for _ in $(seq 100); do
    takes_jobs && return
    sleep 0.2
  done
  tail -n 20 "$place"/*.log >&2
  fail "no node came up"
}

end() { # a daemon by its own file, and only if the number is still that daemon's
  local pid
  [ -e "$1" ] || return 0
  pid=$(cat "$1")
  if [ "$(cat "/proc/$pid/comm" 2>/dev/null)" = "$2" ]; then
    kill "$pid"
    for _ in $(seq 50); do [ -e "/proc/$pid" ] && sleep 0.1; done
  fi
  rm -f "$1"
}

stop() {
  is_ours || fail "$conf is not of these tests: another SLURM is set up here"
  ! takes_jobs || scancel --user=root 
  end "$place/slurmd.pid" slurmd
  end "$place/slurmctld.pid" slurmctld
  end /run/munge/sessiongate.pid munged
  rm -rf "$place/state" "$place/spool"
}

case ${1:-} in
  start) start ;;
  stop) stop ;;
  status) takes_jobs ;;
  *) fail "start, stop or status" ;;
esac
