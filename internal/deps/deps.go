//go:build deps

// Package deps keeps the approved modules in go.mod while parts that use them
// are being built.
package deps

import (
	_ "github.com/alecthomas/kong"
	_ "github.com/cenkalti/backoff/v5"
	_ "github.com/chromedp/chromedp"
	_ "github.com/coreos/go-systemd/v22/daemon"
	_ "github.com/eclipse/paho.golang/autopaho"
	_ "github.com/google/go-cmp/cmp"
	_ "github.com/influxdata/influxdb-client-go/v2"
	_ "github.com/nicholas-fedor/shoutrrr"
	_ "github.com/parquet-go/parquet-go"
	_ "github.com/pelletier/go-toml/v2"
	_ "github.com/prometheus/client_golang/prometheus/promhttp"
	_ "github.com/wneessen/go-mail"
	_ "gonum.org/v1/gonum/optimize"
	_ "gonum.org/v1/gonum/stat/distuv"
	_ "modernc.org/sqlite"
	_ "periph.io/x/conn/v3/gpio/gpioreg"
	_ "periph.io/x/conn/v3/i2c/i2ctest"
	_ "periph.io/x/conn/v3/onewire/onewirereg"
	_ "periph.io/x/devices/v3/bmxx80"
	_ "periph.io/x/devices/v3/ds18b20"
	_ "periph.io/x/host/v3"
	_ "periph.io/x/host/v3/netlink"
	_ "pgregory.net/rapid"
	_ "rsc.io/qr"
)
