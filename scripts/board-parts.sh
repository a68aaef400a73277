#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Fetches what the emulated board is made of, from the Debian that this machine
# is: the armmp kernel with its modules and device trees, a static busybox, and
# for the simulated 1-wire bus the kernel's headers. apt does it, with a
# configuration and folders of its own: nothing of this machine's is touched.
#
#   scripts/board-parts.sh            prints the folder, fetching what is missing
#
# The folder: $CUREWRIGHT_BOARD, or curewright/board in the user's cache.
set -euo pipefail
cd "$(dirname "$0")/.."
src=$PWD/scripts/board
dir=${CUREWRIGHT_BOARD:-${XDG_CACHE_HOME:-$HOME/.cache}/curewright/board}
case $dir in /*) ;; *) dir=$PWD/$dir ;; esac
stamp=$dir/complete-1
if [ -e "$stamp" ] && [ -e "$dir/w1sim/w1sim.ko" ] && cmp -s "$src/w1sim.c" "$dir/w1sim/w1sim.c"; then
  echo "$dir"
  exit
fi
for p in apt-get dpkg-deb make arm-linux-gnueabihf-gcc depmod; do
  command -v $p >/dev/null || [ -x /sbin/$p ] || { echo "board-parts.sh: wants $p: scripts/test-deps.sh installs it" >&2; exit 1; }
done
PATH=$PATH:/sbin:/usr/sbin
mkdir -p "$dir"
exec 9>"$dir/lock"
flock 9
if [ ! -e "$stamp" ]; then
  apt=$dir/apt
  mkdir -p "$apt"/{lists/partial,archives/partial,sources.d}
  : >"$apt/status"
  : >"$apt/sources.list"
  # Debian's own sources only: others have no armhf.
  for f in /etc/apt/sources.list /etc/apt/sources.list.d/*; do
    case $f in *.list | *.sources) ;; *) continue ;; esac
    if [ -f "$f" ] && grep -q "debian" "$f"; then cp "$f" "$apt/sources.d/"; fi
  done
  cat >"$apt/apt.conf" <<END
APT::Architecture "armhf";
APT::Architectures { "armhf"; };
APT::Sandbox::User "";
Dir::Etc::sourcelist "$apt/sources.list";
Dir::Etc::sourceparts "$apt/sources.d";
Dir::State "$apt";
Dir::State::lists "$apt/lists";
Dir::State::status "$apt/status";
Dir::Cache "$apt";
Dir::Cache::archives "$apt/archives";
Acquire::Languages "none";
Acquire::Retries "3";
END
  export APT_CONFIG=$apt/apt.conf
  # A source that is just being renewed is no reason to give up: what it has of
  # the kernel, another has too, a little older.
  apt-get update -qq >&2 || echo "board-parts.sh: apt-get update: not every source answered" >&2
  # The kernel that the distribution's own name for it wants.
  image=$(apt-cache depends linux-image-armmp | awk '$1 == "Depends:" && $2 ~ /^linux-image-/ { print $2; exit }')
  [ -n "$image" ] || { echo "board-parts.sh: no linux-image-armmp in Debian's sources" >&2; exit 1; }
  release=${image#linux-image-}
  headers=linux-headers-$release
  # Their build tools run here and not on the board.
  common=$(apt-cache depends "$headers" | awk '$1 == "Depends:" && $2 ~ /-common$/ { print $2; exit }')
  (cd "$apt/archives" && apt-get download -qq "$image" busybox-static "$headers" "$common" >&2)
  kbuild=$(apt-cache depends "$headers" | awk '$1 == "Depends:" && $2 ~ /^linux-kbuild-/ { print $2; exit }')
  (cd "$apt/archives" && APT_CONFIG='' apt-get download -qq "${kbuild%:*}" >&2)
  rm -rf "$dir/armhf" "$dir/tools"
  mkdir "$dir/armhf" "$dir/tools"
  for p in "$apt"/archives/*.deb; do
    case $p in *kbuild*) dpkg-deb -x "$p" "$dir/tools" ;; *) dpkg-deb -x "$p" "$dir/armhf" ;; esac
  done
  depmod -b "$dir/armhf" "$release"
  echo "$release" >"$dir/release"
  rm -rf "$apt/archives" "$apt/lists"
  touch "$stamp"
fi
release=$(cat "$dir/release")
rm -rf "$dir/w1sim"
mkdir "$dir/w1sim"
cp "$src/w1sim.c" "$dir/w1sim/"
echo 'obj-m := w1sim.o' >"$dir/w1sim/Makefile"
# The headers name each other by absolute paths of an installed system.
tree=$dir/armhf/usr/src/linux-headers-$release
if [ ! -e "$dir/armhf/usr/lib/$(basename "$dir"/tools/usr/lib/linux-kbuild-*)" ]; then
  cp -a "$dir"/tools/usr/lib/linux-kbuild-* "$dir/armhf/usr/lib/"
  sed -i "s|include /usr/src/|include $dir/armhf/usr/src/|" "$tree/Makefile"
fi
make -s -C "$tree" M="$dir/w1sim" ARCH=arm CROSS_COMPILE=arm-linux-gnueabihf- DEB_HOST_GNU_TYPE=arm-linux-gnueabihf modules >"$dir/w1sim/log" 2>&1 ||
  { tail -30 "$dir/w1sim/log" >&2; echo "board-parts.sh: w1sim does not build" >&2; exit 1; }
echo "$dir"
