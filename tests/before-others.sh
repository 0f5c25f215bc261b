#!/bin/sh
# Runs a program that plays or records before all other work, as a busy machine would make it stutter: at a real-time priority
# where that is allowed (niceness counts within one session only, where the system groups work by sessions), or else by its
# niceness.
#
#   before-others.sh PROGRAM ARGUMENTS...
set -eu
if chrt --rr 5 true 2>/dev/null; then exec chrt --rr 5 "$@"; fi
exec nice -n -11 "$@"
