# What ./check and ./try share: the tools that the machine must have.
# To be sourced; it defines functions and runs nothing but the look at HOME.

# Some build machines start with an empty environment. Tools insist on a home
# that they can write to, so they get one for this run.
if [ ! -w "${HOME:-/nowhere}" ]; then
    HOME=$(mktemp -d)
    export HOME
fi

stop() {
    printf '%s\n' "$@" >&2
    exit 2
}

# A rustup cargo looks for its toolchains under HOME. Where HOME is another one
# than at installation, they are still beside the cargo that PATH finds.
need_rust() {
    command -v cargo >/dev/null || stop \
        'There is no Rust on this machine: the command cargo was not found.' \
        'Install the stable toolchain (see the page "Install Rust" of the Rust project' \
        'or your distribution), open a new terminal and start this again.'
    if ! cargo --version >/dev/null 2>&1; then
        local beside
        beside=$(dirname "$(dirname "$(dirname "$(command -v cargo)")")")/.rustup
        if [ -z "${RUSTUP_HOME:-}" ] && [ -d "$beside" ]; then
            export RUSTUP_HOME=$beside
        fi
    fi
    cargo --version >/dev/null || stop \
        'cargo is there but does not run. Its own words stand above this line.'
}

# need_packages PACKAGE...: installs what is missing, and only that.
need_packages() {
    local missing=() package
    command -v dpkg-query >/dev/null || {
        printf 'note: not a Debian system; it must have by itself: %s\n' "$*" >&2
        return 0
    }
    for package in "$@"; do
        dpkg-query -W -f='${db:Status-Status}\n' "$package" 2>/dev/null |
            grep -qx installed || missing+=("$package")
    done
    [ ${#missing[@]} -gt 0 ] || return 0
    printf 'missing Debian packages, to be installed now: %s\n' "${missing[*]}"
    local as_root=()
    if [ "$(id -u)" -ne 0 ]; then
        command -v sudo >/dev/null || stop \
            'You are not root and there is no sudo. Ask somebody who is to run:' \
            "    apt-get install ${missing[*]}"
        # sudo may ask for a password only where somebody can type it.
        if [ -t 0 ]; then as_root=(sudo); else as_root=(sudo -n); fi
    fi
    # The list of packages may be old or empty: try, refresh, try again.
    # shellcheck disable=SC2068  # an empty array must vanish
    ${as_root[@]} env DEBIAN_FRONTEND=noninteractive \
        apt-get install -y -q --no-install-recommends "${missing[@]}" 2>/dev/null ||
        { ${as_root[@]} apt-get update -q &&
            ${as_root[@]} env DEBIAN_FRONTEND=noninteractive \
                apt-get install -y -q --no-install-recommends "${missing[@]}"; } ||
        stop 'The packages could not be installed. Do it by hand and start this again:' \
            "    sudo apt-get install ${missing[*]}"
}
