# Makes the folder .venv from a lock file; sourced by demo/run and tests/run, which set `root`.
# POSIX sh. Nothing outside the repository is changed.

say() {
    printf '%s\n' "$*" >&2
}

fail() {
    say "$@"
    exit 1
}

# Print a Python that is new enough.
find_python() {
    for name in python3 python3.11 python3.12 python3.13 python3.14 python; do
        if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$name"
            return
        fi
    done
    fail "Python 3.11 or newer is needed; here is $(python3 --version 2>/dev/null || echo 'none')." \
        "Install it (Debian, Ubuntu: apt-get install python3 python3-venv) and run this again."
}

# prepare LOCK: make .venv hold what LOCK names, and the program; at once when it does already.
prepare() {
    venv="$root/.venv"
    python="$venv/bin/python"
    stamp="$venv/.holds-$(printf %s "$1" | tr / -)"
    place="$venv/.lies-in" # its programs name the folder: a virtual environment does not survive a move
    wanted="$(cat "$root/$1" "$root/pyproject.toml" | cksum)"
    if [ -f "$place" ] && [ "$(cat "$place")" != "$root" ]; then
        rm -rf "$venv"
    fi
    if "$python" -c '' 2>/dev/null && [ "$(cat "$stamp" 2>/dev/null)" = "$wanted" ]; then
        return
    fi
    if ! "$python" -c 'import sys, pip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        found=$(find_python) || exit 1
        "$found" -c 'import venv, ensurepip' 2>/dev/null ||
            fail "$found can't make a virtual environment: its venv module is missing." \
                "On Debian and Ubuntu: apt-get install python3-venv. Then run this again."
        say "Making .venv with $("$found" --version) ..."
        "$found" -m venv --clear "$venv" || fail "$venv could not be made; the lines above say why."
        printf %s "$root" >"$place"
    fi
    say "Installing what $1 names into .venv (once, about half a minute) ..."
    # -qq: errors only; the lock is complete, so nothing is resolved and every file is checked by its hash
    PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore
    export PIP_DISABLE_PIP_VERSION_CHECK PIP_ROOT_USER_ACTION
    if ! "$python" -m pip install -qq --require-hashes -r "$root/$1" ||
        ! "$python" -m pip install -qq --no-deps --no-build-isolation -e "$root"; then
        fail "The installation failed; the lines above say why. A connection to the package index is needed once."
    fi
    printf %s "$wanted" >"$stamp"
}
