# Sourced by the scripts beside it: makes the project's own Python environment in .venv and installs into it.
# Works on a bare Debian with Python and apt; may be run any number of times. Needs no activation.
# PLATEKIN_ENVIRONMENT names another environment, which is used as it is.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
BIN=${PLATEKIN_ENVIRONMENT:-.venv}/bin

# runuser, by which PostgreSQL is started for the tests, lies where an empty environment's PATH does not lead.
PATH=$PATH:/usr/sbin:/sbin

usage() { # the comment at the head of the script
    sed -n '2,/^[^#]/s/^# \{0,1\}//p' "scripts/$(basename "$0")"
    exit 0
}

run_module() { # $1: what to install, $2: the module; its arguments follow
    make_environment "$1"
    shift
    exec "$BIN/python" -m "$@"
}

say() { printf '== %s\n' "$*" >&2; }

find_python() {
    local name
    for name in "${PYTHON:-}" python3.13 python3.12 python3.11 python3; do
        [ -n "$name" ] && command -v "$name" >/dev/null 2>&1 || continue
        if "$name" -c 'import sys; raise SystemExit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$name"
            return
        fi
    done
    say "Python 3.11 or newer is needed: apt-get install python3 python3-venv, or set PYTHON=/path/to/python"
    return 1
}

apt_install() {
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
        say "installing Debian packages: $*"
        apt-get update -qq >&2 && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "$@" >&2 && return
    fi
    say "please install these packages, then run this again: sudo apt-get install $*"
    return 1
}

make_environment() { # $1: what to install: '.' or '.[dev]'
    [ -z "${PLATEKIN_ENVIRONMENT:-}" ] || return 0
    local python
    python=$(find_python) || return 1
    if [ ! -x .venv/bin/python ]; then
        say "making the environment .venv with $python"
        "$python" -m venv .venv 2>/dev/null || {
            rm -rf .venv
            apt_install python3-venv || return 1
            "$python" -m venv .venv || return 1
        }
    fi
    if ! .venv/bin/python -m pip --version >/dev/null 2>&1; then
        apt_install python3-venv || return 1
        "$python" -m venv --clear .venv || return 1
    fi
    # The stamp tells which dependencies are installed, so that a second run starts at once.
    local stamp wanted
    stamp=.venv/installed
    wanted="$1 $(sha256sum pyproject.toml | cut -d' ' -f1)"
    if [ "$(cat "$stamp" 2>/dev/null)" != "$wanted" ]; then
        say "installing platekin and what it needs into .venv (a minute or two the first time)"
        .venv/bin/python -m pip install --quiet --disable-pip-version-check --editable "$1" || return 1
        printf '%s' "$wanted" >"$stamp"
    fi
    if ! .venv/bin/python -c 'import cv2' 2>/dev/null; then
        say "OpenCV cannot be imported: a system library is missing"
        apt_install libgl1 libglib2.0-0 || return 1
        .venv/bin/python -c 'import cv2' || return 1
    fi
}

# The Oxford graffiti pair with its published homography, for one test; Debian's package opencv-doc carries it (95 MB).
fetch_graffiti() {
    local target=$PWD/.venv/graffiti scratch
    [ -f "$target/H1to3p.xml" ] && return 0
    command -v apt-get >/dev/null 2>&1 || { say "no apt-get: the test on the graffiti pair will be skipped"; return 0; }
    say "fetching the graffiti pair (Debian package opencv-doc, once)"
    scratch=$(mktemp -d)
    chmod 755 "$scratch"
    if (cd "$scratch" && { apt-get download -qq opencv-doc || { apt-get update -qq && apt-get download -qq opencv-doc; }; } \
        && dpkg-deb --fsys-tarfile opencv-doc_*.deb \
        | tar -x --wildcards '*/data/graf1.png' '*/data/graf3.png' '*/data/H1to3p.xml') >&2 2>/dev/null; then
        mkdir -p "$target"
        find "$scratch" \( -name 'graf[13].png' -o -name H1to3p.xml \) -exec cp {} "$target/" \;
    else
        say "opencv-doc could not be fetched: the test on the graffiti pair will be skipped"
    fi
    rm -rf "$scratch"
}

# A browser for the page's tests: Debian's chromium. Without one, those tests are skipped.
find_chromium() {
    [ -n "${PLATEKIN_TEST_CHROMIUM:-}" ] || command -v chromium >/dev/null 2>&1 && return 0
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then apt_install chromium || true; fi
    command -v chromium >/dev/null 2>&1 \
        || say "no Chromium: the page's tests will be skipped (to run them: sudo apt-get install chromium)"
}

# ExifTool, an outside reader of sidecars for some tests; without it they are skipped.
find_exiftool() {
    command -v exiftool >/dev/null 2>&1 && return 0
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then apt_install libimage-exiftool-perl || true; fi
    command -v exiftool >/dev/null 2>&1 \
        || say "no exiftool: tests on sidecars will be skipped (to run them: sudo apt-get install libimage-exiftool-perl)"
}

# A PostgreSQL server of our own for the tests: Debian's package, in a scratch folder, reached by a socket in it only.
# Sets PLATEKIN_TEST_POSTGRES, and stops the server when the script ends. Without one, those tests are skipped.
start_postgres() {
    [ -n "${PLATEKIN_TEST_POSTGRES:-}" ] && return 0
    local bin
    bin=$(find_postgres)
    if [ -z "$bin" ] && [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
        apt_install postgresql || true
        bin=$(find_postgres)
    fi
    if [ -z "$bin" ]; then
        say "no PostgreSQL: the tests on it will be skipped (to run them: sudo apt-get install postgresql)"
        return 0
    fi
    POSTGRES_DIR=$(mktemp -d) POSTGRES_BIN=$bin
    trap stop_postgres EXIT
    [ "$(id -u)" != 0 ] || chown postgres "$POSTGRES_DIR"
    say "starting PostgreSQL from $bin"
    if as_postgres "$bin/initdb" --pgdata="$POSTGRES_DIR/data" --auth=trust --username=platekin --encoding=UTF8 \
        --no-sync >"$POSTGRES_DIR.log" 2>&1 \
        && as_postgres "$bin/pg_ctl" --pgdata="$POSTGRES_DIR/data" --log="$POSTGRES_DIR/log" --wait start \
            --options="-k $POSTGRES_DIR -c listen_addresses='' -c fsync=off -c max_connections=200" \
            >>"$POSTGRES_DIR.log" 2>&1; then
        export PLATEKIN_TEST_POSTGRES="postgresql+psycopg://platekin@/postgres?host=$POSTGRES_DIR"
    else
        say "PostgreSQL could not be started, so the tests on it will be skipped:"
        cat "$POSTGRES_DIR.log" >&2
    fi
}

find_postgres() {
    local newest
    newest=$(ls -d /usr/lib/postgresql/*/bin 2>/dev/null | sort -V | tail -n 1)
    if [ -x "$newest/initdb" ]; then echo "$newest"; fi
}

as_postgres() { # PostgreSQL refuses to run as root; Debian's package made a user for it
    if [ "$(id -u)" = 0 ]; then (cd / && runuser -u postgres -- "$@"); else "$@"; fi
}

stop_postgres() {
    if [ -f "$POSTGRES_DIR/data/postmaster.pid" ]; then
        as_postgres "$POSTGRES_BIN/pg_ctl" --pgdata="$POSTGRES_DIR/data" --mode=immediate --wait stop >/dev/null 2>&1 || true
    fi
    rm -rf "$POSTGRES_DIR" "$POSTGRES_DIR.log"
}
