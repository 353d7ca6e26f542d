#!/bin/bash
# Reads small photos in parts on an engine that is installed here, merges the parts, and compares them
# with one run on one machine, byte for byte.
#
#   tests/spread.sh ENGINE [PHOTOS [PARTS]]      ENGINE: parallel, slurm
#
# The two commands to take over for a folder of one's own are in `by_parallel` and `array.sh` below.
# ENDGRAIN names the program (default: endgrain). Slurm (Debian: slurm-wlm) is started here on one node
# with a configuration of its own and stopped at the end; that needs root. Status 77: not installed.
set -euo pipefail

engine=${1:?give an engine: parallel or slurm}
photos=${2:-200}
parts=${3:-8}
endgrain=${ENDGRAIN:-endgrain}

skip() { echo "$*"; exit 77; }

place=$(mktemp -d)
daemons=()
tidy() {
    for process in "${daemons[@]}"; do kill "$process" 2>/dev/null || true; done
    for process in "${daemons[@]}"; do wait "$process" 2>/dev/null || true; done
    rm -rf "$place"
}
trap tidy EXIT
cd "$place"

# One line for each part; what was said goes to a log of its own, and parallel's status counts the
# parts that failed. --resume-failed would go on after a lost machine, as the program does itself.
by_parallel() {
    parallel --jobs 2 --joblog parallel.log \
        "$endgrain count yard --out out --part {}/$parts --jobs 1 --quiet 2>part-{}.log" \
        ::: $(seq "$parts")
}

# A node of Slurm on this machine, for the test alone. Where there is a cluster, none of it is needed.
start_slurm() {
    local node
    node=$(hostname -s)
    mkdir -p slurm/state slurm/spool
    [ -e slurm/key ] || dd if=/dev/urandom of=slurm/key bs=1 count=1024 status=none
    chmod 600 slurm/key
    cat >slurm/slurm.conf <<CONF
ClusterName=quillbrook
SlurmctldHost=$node(127.0.0.1)
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket=$place/slurm/munge.socket
CryptoType=crypto/munge
SlurmctldPort=16817
SlurmdPort=16818
StateSaveLocation=$place/slurm/state
SlurmdSpoolDir=$place/slurm/spool
SlurmctldPidFile=$place/slurm/slurmctld.pid
SlurmdPidFile=$place/slurm/slurmd.pid
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
SchedulerParameters=sched_interval=1,batch_sched_delay=0
MaxArraySize=10001
ReturnToService=2
NodeName=$node NodeAddr=127.0.0.1 CPUs=$(nproc) State=UNKNOWN
PartitionName=saw Nodes=$node Default=YES MaxTime=INFINITE State=UP
CONF
    export SLURM_CONF=$place/slurm/slurm.conf
    munged --foreground --force --key-file="$place/slurm/key" --socket="$place/slurm/munge.socket" \
        --pid-file="$place/slurm/munged.pid" --log-file="$place/slurm/munged.log" \
        --seed-file="$place/slurm/munged.seed" >slurm/munged.out 2>&1 &
    daemons+=($!)
    for _ in $(seq 50); do [ -S slurm/munge.socket ] && break; sleep 0.1; done
    slurmctld -D >slurm/slurmctld.log 2>&1 &
    daemons+=($!)
    slurmd -D -N "$node" >slurm/slurmd.log 2>&1 &
    daemons+=($!)
    for _ in $(seq 300); do
        [ "$(sinfo --noheader --format=%t 2>/dev/null)" = idle ] && return
        sleep 0.1
    done
    echo "Slurm did not start:"
    tail -n 5 slurm/*.log
    exit 1
}

# The job array: one task for each part. A task that is ended for its time and queued again goes on
# where it was.
by_slurm() {
    cat >array.sh <<JOB
#!/bin/bash
#SBATCH --ntasks=1 --cpus-per-task=1 --time=12:00:00 --requeue
exec $endgrain count yard --out out --jobs 1 --quiet \\
    --part "\$SLURM_ARRAY_TASK_ID/\$SLURM_ARRAY_TASK_COUNT"
JOB
    sbatch --wait --array="1-$parts" --output=part-%a.log array.sh
}

case $engine in
parallel)
    command -v parallel >/dev/null || skip "GNU parallel is not installed"
    ;;
slurm)
    for command in munged slurmctld slurmd sbatch; do
        command -v "$command" >/dev/null || skip "Slurm is not installed: no $command"
    done
    [ "$(id -u)" -eq 0 ] || skip "Slurm's daemons are started by root only"
    ;;
*)
    echo "$engine: no engine that is known here; give parallel or slurm"
    exit 2
    ;;
esac

"$endgrain" demo yard --count "$photos" --seed 11 --megapixels 0.01 --kind clean_conifer --quiet
begun=$SECONDS
"$endgrain" count yard --out judge --quiet
alone=$((SECONDS - begun))
[ "$engine" = parallel ] || start_slurm
begun=$SECONDS
"by_$engine" || {
    echo "a part failed:"
    tail -n 3 part-*.log
    exit 1
}
spread=$((SECONDS - begun))
"$endgrain" merge out --out out
diff -r --exclude='*.part-*' judge out
echo "$engine: $photos photos in $parts parts: the same bytes as one run" \
    "($alone s in one run, $spread s in parts, on $(nproc) cores)"
