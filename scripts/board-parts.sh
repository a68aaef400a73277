#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Fetches what the emulated board is made of, from the Debian that this machine
# is: the armmp kernel with its modules and device trees, a static busybox, and
# for the simulated wires the kernel's headers. apt does it, with a
# configuration and folders of its own: nothing of this machine's is touched.
#
#   scripts/board-parts.sh            prints the folder, fetching what is missing
#   scripts/board-parts.sh --debian   makes debian.img there too, a card with a
#                                     small Debian whose systemd starts; wants root
#
# The folder: $CUREWRIGHT_BOARD, or curewright/board in the user's cache.
set -euo pipefail
cd "$(dirname "$0")/.."
src=$PWD/scripts/board
dir=${CUREWRIGHT_BOARD:-${XDG_CACHE_HOME:-$HOME/.cache}/curewright/board}
case $dir in /*) ;; *) dir=$PWD/$dir ;; esac
stamp=$dir/complete-1
card=
[ "${1:-}" != --debian ] || card=$dir/debian.img
built() { [ -e "$dir/$1/$1.ko" ] && cmp -s "$src/$1.c" "$dir/$1/$1.c"; }
if [ -e "$stamp" ] && built w1sim && built i2csim && { [ -z "$card" ] || [ -e "$card" ]; }; then
  echo "$dir"
  exit
fi
for p in apt-get dpkg-deb make arm-linux-gnueabihf-gcc depmod mke2fs; do
  command -v $p >/dev/null || [ -x /sbin/$p ] || { echo "board-parts.sh: wants $p: scripts/test-deps.sh installs it" >&2; exit 1; }
done
PATH=$PATH:/sbin:/usr/sbin
mkdir -p "$dir"
exec 9>"$dir/lock"
flock 9
apt=$dir/apt
# sources readies apt for armhf: Debian's own sources only, others have none.
sources() {
  mkdir -p "$apt"/{lists/partial,archives/partial,sources.d}
  : >"$apt/status"
  : >"$apt/sources.list"
  for f in /etc/apt/sources.list /etc/apt/sources.list.d/*; do
    case $f in *.list | *.sources) ;; *) continue ;; esac
    if [ -f "$f" ] && grep -q "debian" "$f"; then cp "$f" "$apt/sources.d/"; fi
  done
  cat >"$apt/apt.conf" <<END
APT::Architecture "armhf";
APT::Architectures { "armhf"; };
APT::Sandbox::User "";
APT::Install-Recommends "false";
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
}
if [ ! -e "$stamp" ]; then
  sources
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
# The headers name each other by absolute paths of an installed system.
tree=$dir/armhf/usr/src/linux-headers-$release
if [ ! -e "$dir/armhf/usr/lib/$(basename "$dir"/tools/usr/lib/linux-kbuild-*)" ]; then
  cp -a "$dir"/tools/usr/lib/linux-kbuild-* "$dir/armhf/usr/lib/"
  sed -i "s|include /usr/src/|include $dir/armhf/usr/src/|" "$tree/Makefile"
fi
for m in w1sim i2csim; do
  ! built $m || continue
  rm -rf "${dir:?}/$m"
  mkdir "$dir/$m"
  cp "$src/$m.c" "$dir/$m/"
  echo "obj-m := $m.o" >"$dir/$m/Makefile"
  make -s -C "$tree" M="$dir/$m" ARCH=arm CROSS_COMPILE=arm-linux-gnueabihf- DEB_HOST_GNU_TYPE=arm-linux-gnueabihf modules >"$dir/$m/log" 2>&1 ||
    { tail -30 "$dir/$m/log" >&2; echo "board-parts.sh: $m does not build" >&2; exit 1; }
done
if [ -n "$card" ] && [ ! -e "$card" ]; then
  [ "$(id -u)" = 0 ] || { echo "board-parts.sh: the files of a Debian belong to root: wants root" >&2; exit 1; }
  sources
  # What an installation of ours stands on, and what that needs; not the whole
  # perl, of which Debian's own scripts use the base only.
  rm -rf "$dir/debian" "$apt/archives"
  mkdir -p "$apt/archives/partial" "$dir"/debian/usr/{bin,sbin,lib} "$dir"/debian/usr/lib/modules "$dir"/debian/var/lib/dpkg/info
  packages=$(apt-get install -s -qq systemd systemd-sysv udev kmod mount login passwd util-linux dpkg init-system-helpers usr-is-merged \
    base-files base-passwd libc-bin hostname bash dash coreutils grep sed mawk findutils diffutils tar gzip perl-base |
    awk '$1 == "Inst" && $2 !~ /^(perl|perl-modules.*|libperl.*|libgdbm.*)$/ { print $2 }')
  # shellcheck disable=SC2086
  (cd "$apt/archives" && apt-get download -qq $packages >&2)
  root=$dir/debian
  for d in bin sbin lib; do ln -s usr/$d "$root/$d"; done
  for p in "$apt"/archives/*.deb; do
    dpkg-deb --fsys-tarfile "$p" | tar -x -C "$root" --keep-directory-symlink \
      --exclude='./usr/share/doc/*' --exclude='./usr/share/man/*' --exclude='./usr/share/locale/*'
    { dpkg-deb -f "$p" | sed '1a Status: install ok installed'; echo; } >>"$root/var/lib/dpkg/status"
    : >"$root/var/lib/dpkg/info/$(dpkg-deb -f "$p" Package).list"
  done
  # What the packages' own scripts would do, as far as it is needed.
  cp "$root/usr/share/base-passwd/passwd.master" "$root/etc/passwd"
  cp "$root/usr/share/base-passwd/group.master" "$root/etc/group"
  : >"$root/etc/machine-id"
  echo shed >"$root/etc/hostname"
  cp -a "$dir/armhf/lib/modules/$release" "$root/usr/lib/modules/"
  cp "$dir/armhf/bin/busybox" "$root/usr/bin/"
  rm -f "$card.new"
  truncate -s 2G "$card.new"
  mke2fs -q -t ext4 -d "$root" "$card.new" >&2
  mv "$card.new" "$card"
  rm -rf "$root" "$apt/archives" "$apt/lists"
fi
echo "$dir"
