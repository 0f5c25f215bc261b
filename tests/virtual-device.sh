#!/bin/sh
# A sound device that runs in real time on a machine without one: a PulseAudio null sink in a process of its own, reached
# through ALSA's pulse plugin, recorded from its monitor.
#
#   virtual-device.sh start DIR     starts it, waits until it is ready, prints environment variables as NAME=VALUE lines
#   virtual-device.sh stop DIR      ends it and removes DIR
#   virtual-device.sh unplug DIR    kills it at once, as a device is unplugged; `start` plugs it in again
#
# RATE (48000), FORMAT (float32le; s32le, s16le) and CHANNELS (2) shape the sink. WORDS=S32_LE makes the device take
# integers only. CLOCK=none makes it a device that swallows sound as fast as it comes. INPUT=simulated adds a second sink,
# "equipment", whose monitor is the device's input: what a process between the two plays there is what is recorded.
# Needs pulseaudio, pulseaudio-utils and libasound2-plugins.
set -eu

dir=${2:?the folder of the device}
rate=${RATE:-48000}
format=${FORMAT:-float32le}
channels=${CHANNELS:-2}
words=${WORDS:-any}
clock=${CLOCK:-real}
input=${INPUT:-none}

running() { [ -s "$dir/pid" ] && kill -0 "$(cat "$dir/pid")" 2>/dev/null; }

environment() {
    # A configuration of its own instead of /etc/alsa, whose defaults would win over ours.
    cat <<END
ALSA_CONFIG_PATH=$dir/asound.conf
PULSE_SERVER=unix:$dir/socket
PULSE_COOKIE=$dir/cookie
PULSE_SINK=bench
END
}

halt() {
    running || return 0
    daemon=$(cat "$dir/pid")
    kill "$1" "$daemon" 2>/dev/null || return 0
    tries=0
    while kill -0 "$daemon" 2>/dev/null; do
        tries=$((tries + 1))
        if [ "$tries" -eq 60 ]; then kill -KILL "$daemon" 2>/dev/null || :; fi
        [ "$tries" -lt 100 ] || break
        sleep 0.05
    done
}

case ${1:-} in
start)
    halt -TERM
    mkdir -p "$dir/home" "$dir/run" "$dir/state"
    chmod 700 "$dir"
    rm -f "$dir/socket" "$dir/pid"
    pulse="type pulse server \"unix:$dir/socket\" device \"bench\""
    hint="hint { show on description \"Bench device\" }"
    device="$pulse"
    [ "$words" = any ] || device="type linear slave { pcm { type mmap_emul slave { pcm { $pulse } } } format $words }"
    [ "$clock" = real ] || device="type null"
    second=
    if [ "$input" = simulated ]; then
        second="module-null-sink sink_name=equipment format=$format rate=$rate channels=$channels norewinds=1"
        device="type asym playback.pcm { $device } capture.pcm { type pulse server \"unix:$dir/socket\" device \"equipment.monitor\" }"
    fi
    cat >"$dir/asound.conf" <<END
pcm.!default { $device $hint }
ctl.!default { $pulse $hint }
END
    # norewinds: a null sink otherwise renders seconds ahead, and new streams begin late. nice: a sound server goes before
    # other work, where that is allowed.
    env -i PATH="$PATH" LANG=C HOME="$dir/home" XDG_RUNTIME_DIR="$dir/run" PULSE_RUNTIME_PATH="$dir/run" \
        PULSE_STATE_PATH="$dir/state" setsid sh -c 'echo $$ >"$0/pid"; exec nice -n -11 pulseaudio "$@"' "$dir" \
        -n --daemonize=no --use-pid-file=no --exit-idle-time=-1 --realtime=no --high-priority=no --disable-shm=yes \
        --log-target=stderr --log-level=notice \
        -L "module-native-protocol-unix socket=$dir/socket auth-anonymous=1" \
        -L "module-null-sink sink_name=bench format=$format rate=$rate channels=$channels norewinds=1" \
        ${second:+-L "$second"} \
        >"$dir/log" 2>&1 </dev/null &
    tries=0
    until env PULSE_SERVER="unix:$dir/socket" PULSE_COOKIE="$dir/cookie" pactl list short sinks 2>/dev/null | grep -q bench; do
        tries=$((tries + 1))
        if [ "$tries" -gt 600 ]; then
            echo "the virtual device did not start:" >&2
            cat "$dir/log" >&2
            exit 1
        fi
        sleep 0.1
    done
    # As before-others.sh has it, before what plays: the server gives a priority back that it is started with.
    chrt --all-tasks --rr --pid 6 "$(cat "$dir/pid")" 2>/dev/null || :
    environment
    ;;
stop)
    halt -TERM
    rm -rf "$dir"
    ;;
unplug)
    halt -KILL
    ;;
*)
    sed -n '2,14s/^# \{0,1\}//p' "$0" >&2
    exit 2
    ;;
esac
