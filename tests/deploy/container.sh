#!/usr/bin/env bash
# The container file. Where podman or buildah is at hand, and the images it stands on can be
# had, it is built and run once; else its steps are run here one by one, in a folder that
# holds nothing but what it copies, and that is said. BINARY=FILE takes the place of the
# build's last step, which takes a release build's time. Needs root.
set -euo pipefail
cd "$(dirname "$0")/../.."
file=deploy/Containerfile
work=$(mktemp -d)
daemon=
trap '[ -z "$daemon" ] || kill "$daemon" 2>/dev/null || true; rm -rf --one-file-system "$work"' EXIT
fail() { echo "container: $1" >&2; exit 1; }

mkdir "$work/room" "$work/store"
chmod 755 "$work" "$work/room"
{ cat tests/deploy/one_rack.toml; printf '[page]\nlisten = "off"\n'; } > "$work/room/traywarden.toml"

# Runs what stands behind it, with a stop as a container gets it, and looks at what it said.
watches() {
    "$@" >"$work/log" 2>&1 &
    daemon=$!
    for _ in $(seq 100); do
        ! grep -q "nothing listens at 127.0.0.1 port 1" "$work/log" || break
        sleep 0.1
    done
    grep -q "watching Saltmarsh Lane" "$work/log" || { cat "$work/log" >&2; fail "it does not watch"; }
    kill -TERM "$daemon"
    wait "$daemon" || { cat "$work/log" >&2; fail "it does not end when it is told to"; }
    daemon=
}

builder=$(command -v podman || command -v buildah || true)
images=$(sed -n 's/^FROM \([^ ]*\).*/\1/p' "$file")
for image in $images; do
    if [ -n "$builder" ] && ! "$builder" inspect --type image "$image" >/dev/null 2>&1 &&
        ! timeout 300 "$builder" pull "$image" >"$work/pull" 2>&1; then
        echo "container: $(basename "$builder") cannot have $image: $(tail -n 1 "$work/pull")"
        builder=
    fi
done

if [ -n "$builder" ]; then
    echo "container: built by $(basename "$builder")"
    "$builder" build -f "$file" -t traywarden-test . >"$work/build" 2>&1 ||
        { tail -n 20 "$work/build" >&2; fail "it cannot be built"; }
    case $builder in
        *podman) watches podman run --rm --network host -v "$work/room:/etc/traywarden:ro" traywarden-test ;;
        *)
            container=$(buildah from traywarden-test)
            root=$(buildah mount "$container")
            # shellcheck disable=SC2046 # the words of the entry point
            buildah run --user 10001:10001 -v "$work/room:/etc/traywarden:ro" "$container" -- /usr/bin/traywarden --version
            install -D -m 644 "$work/room/traywarden.toml" "$root/etc/traywarden/traywarden.toml"
            watches setpriv --reuid 10001 --regid 10001 --clear-groups chroot --userspec 10001:10001 "$root" \
                /usr/bin/traywarden run --config /etc/traywarden/traywarden.toml
            buildah rm "$container" >/dev/null ;;
    esac
    echo "container: well"
    exit 0
fi

echo "container: no builder that can have its images, so its steps are run here"
mkdir "$work/build"
sed -n '/ AS build$/,/^FROM/{s/^COPY //p}' "$file" | while read -r from to; do
    # Several to "./", or one to its name.
    case $to in
        *" ./") for one in $from ${to% ./}; do cp -r "$one" "$work/build/"; done ;;
        *) mkdir -p "$(dirname "$work/build/$to")" && cp -r "$from" "$work/build/$to" ;;
    esac
done
step=$(sed -n 's/^RUN \(cargo build .*\)/\1/p' "$file")
[ -n "$step" ] || fail "it builds nothing"
binary=${BINARY:-}
if [ -n "$binary" ]; then
    # That nothing is missing shows without a release build.
    (cd "$work/build" && CARGO_TARGET_DIR="$OLDPWD/target" ${step/build --release/check}) >"$work/log" 2>&1 ||
        { cat "$work/log" >&2; fail "what it copies does not compile"; }
else
    (cd "$work/build" && $step) >"$work/log" 2>&1 || { cat "$work/log" >&2; fail "what it copies does not compile"; }
    binary=$work/build/target/release/traywarden
fi
install -m 755 "$binary" "$work/traywarden"
chown -R 10001:10001 "$work/store"
printf '[store]\npath = "%s/store/traywarden.db"\n' "$work" >> "$work/room/traywarden.toml"
words=$(sed -n 's/^CMD \[\(.*\)\]/\1/p' "$file" | tr -d '",' | sed "s|/etc/traywarden|$work/room|")
# shellcheck disable=SC2086 # the words of CMD
watches env "$(sed -n 's/^ENV //p' "$file")" setpriv --reuid 10001 --regid 10001 --clear-groups "$work/traywarden" $words
[ -s "$work/store/traywarden.db" ] || fail "there is no store"
echo "container: well"
