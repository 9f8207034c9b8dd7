# setup.sh - installs missing Debian packages; sourced by ./check and ./demo.
# usage: . tools/setup.sh; install_missing FILE...   (FILE: one package a line, "# why" behind it)
# No network when everything is there; safe to run twice.

missing_packages() {
    sed -e 's/#.*//' -e 's/[[:space:]]*$//' -e '/^$/d' "$@" | while read -r package; do
        state=$(dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null) || state=absent
        [ "$state" = installed ] || printf '%s ' "$package"
    done
}

install_missing() {
    if ! command -v dpkg-query >/dev/null; then
        echo "no dpkg here: install what $* name with your own package manager" >&2
        return 0
    fi
    missing=$(missing_packages "$@")
    [ -n "$missing" ] || return 0
    echo "installing Debian packages: $missing"
    as_root=
    if [ "$(id -u)" -ne 0 ]; then
        if ! command -v sudo >/dev/null; then
            echo "neither root nor sudo: run as root: apt-get install $missing" >&2
            return 1
        fi
        as_root=sudo
        echo "(through sudo)"
    fi
    log=$(mktemp)
    # shellcheck disable=SC2086  # words on purpose
    if ! { $as_root apt-get -q update &&
        $as_root env DEBIAN_FRONTEND=noninteractive \
            apt-get -q -y --no-install-recommends install $missing; } >"$log" 2>&1; then
        tail -n 15 "$log" >&2
        rm -f "$log"
        echo "apt-get failed" >&2
        return 1
    fi
    rm -f "$log"
}
