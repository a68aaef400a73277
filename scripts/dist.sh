#!/usr/bin/env bash
# Makes what is handed out, in dist/: static programs for amd64, arm64 and the
# weakest 32-bit boards (GOARM=6), a bill of materials and a Debian package for
# each, the licence texts, and the sums of all. The same commit gives the same
# bytes.
#
#   VERSION=1.2.0 scripts/dist.sh [amd64] [arm64] [armv6]
set -euo pipefail
cd "$(dirname "$0")/.."

version=${VERSION:-$(git describe --tags --always --dirty 2>/dev/null || echo unknown)}
epoch=${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct 2>/dev/null || echo 0)}
export SOURCE_DATE_EPOCH=$epoch
# Debian compares versions: one without a tag must sort before every release.
case $version in
  v[0-9]* | [0-9]*.*) deb=${version#v}; deb=${deb//-/+} ;;
  *) deb=0~git$(date -u -d "@$epoch" +%Y%m%d.%H%M%S)+${version//[^A-Za-z0-9.+~]/.} ;;
esac
targets=("$@")
[ ${#targets[@]} -gt 0 ] || targets=(amd64 arm64 armv6)

rm -rf dist
mkdir -p dist
stage=$(mktemp -d)
trap 'rm -rf "$stage"' EXIT

# The Go that is handed out is one without known faults (packaging/AUDIT.md), and
# the same for everybody who builds this commit.
GOTOOLCHAIN=$(cat packaging/toolchain)
export GOTOOLCHAIN
# Tools of the build run here, whatever the target is.
unset GOOS GOARCH GOARM
go build -o "$stage/sbom" ./packaging/sbom
go build -o "$stage/installer" ./cmd/curewright

for t in "${targets[@]}"; do
  case $t in
    amd64) goarch=amd64 goarm= debarch=amd64 ;;
    arm64) goarch=arm64 goarm= debarch=arm64 ;;
    armv6) goarch=arm goarm=6 debarch=armhf ;;
    *) echo "dist.sh: $t: not one of amd64, arm64, armv6" >&2; exit 2 ;;
  esac
  bin=dist/curewright-linux-$t
  CGO_ENABLED=0 GOOS=linux GOARCH=$goarch GOARM=$goarm \
    go build -trimpath -ldflags "-s -w -X main.version=$version" -o "$bin" ./cmd/curewright
  "$stage/sbom" "$bin" >"$bin.cdx.json"
  "$stage/sbom" -notices "$bin" >"$stage/notices"

  root=$stage/$t
  "$stage/installer" install --write --packaged --root "$root" >/dev/null
  install -D -m 755 "$bin" "$root/usr/bin/curewright"
  doc=$root/usr/share/doc/curewright
  install -d "$doc"
  install -m 644 docs/*.md docs/wiring.svg "$doc"
  gzip -9n <"$stage/notices" >"$doc/copyright-of-parts.gz"
  cp "$bin.cdx.json" "$doc/sbom.cdx.json"
  cat >"$doc/copyright" <<COPYRIGHT
curewright contains parts of others. Their names, versions and licences are in
sbom.cdx.json, the texts of their licences in copyright-of-parts.gz.
COPYRIGHT
  install -d "$root/DEBIAN"
  install -m 755 packaging/deb/postinst packaging/deb/prerm packaging/deb/postrm "$root/DEBIAN/"
  echo /etc/curewright/curewright.toml >"$root/DEBIAN/conffiles"
  size=$(du -sk --exclude=DEBIAN "$root" | cut -f1)
  cat >"$root/DEBIAN/control" <<CONTROL
Package: curewright
Version: $deb
Architecture: $debarch
Maintainer: curewright maintainers <maintainers@curewright.invalid>
Section: science
Priority: optional
Installed-Size: $size
Depends: passwd, init-system-helpers
Recommends: systemd, udev, ca-certificates
Description: follows epoxy as it cures, coat by coat
 Logs shop air and panel temperature and humidity from cheap probes, integrates
 the cure of every coat, says what each one is, what comes next and when, warns,
 holds a heated tent and keeps the record. An estimate, not a certificate of
 cure or strength.
CONTROL
  (cd "$root" && find . -path ./DEBIAN -prune -o -type f -printf '%P\0' | sort -z | xargs -0 md5sum >DEBIAN/md5sums)
  # Files made just now get the commit's time, so that the bytes are the same.
  find "$root" -exec touch -h -d "@$epoch" {} +
  dpkg-deb --root-owner-group -Zxz --build "$root" "dist/curewright_${deb}_${debarch}.deb" >/dev/null
  cp "$stage/notices" dist/THIRD-PARTY.txt
done

(cd dist && LC_ALL=C sha256sum -- * >../SHA256SUMS.tmp && mv ../SHA256SUMS.tmp SHA256SUMS)
ls -l dist
