# setup.sh - installs missing Debian packages, fetches the lists of the catalogue; sourced by
# ./check and ./demo, from the top folder.
# usage: . tools/setup.sh; install_missing FILE...   (FILE: one package a line, "# why" behind it)
#        fetch_catalogue
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

# The star and deep-sky lists, by npm, at the version and checksum of package-lock.json. Without npm
# or network the program is built without them: no failure.
fetch_catalogue() {
    [ -d data/catalogue/node_modules/d3-celestial/data ] && return 0
    if ! command -v npm >/dev/null; then
        # a Node that did not come from Debian brings its npm along; Debian's are two packages
        install_missing tools/packages-catalogue.txt || true
    fi
    if command -v npm >/dev/null; then
        echo "fetching the lists of the catalogue"
        log=$(mktemp)
        if (cd data/catalogue && npm ci --ignore-scripts) >"$log" 2>&1; then
            touch data/catalogue/meson.build
        else
            tail -n 5 "$log" >&2
            echo "the lists could not be fetched: names of the sky will not be known" >&2
        fi
        rm -f "$log"
    else
        echo "no npm: names of the sky will not be known" >&2
    fi
}
