// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"curewright/dashboards/web"
	"curewright/model/words"
)

func PageURL(cfg Config, addr net.Addr) string {
	scheme := "http"
	if cfg.Web.TLSCert != "" {
		scheme = "https"
	}
	host := addr.String()
	if ap, ok := addr.(*net.TCPAddr); ok && ap.IP.IsUnspecified() {
		if name, err := os.Hostname(); err == nil {
			host = fmt.Sprintf("%s:%d", name, ap.Port)
		}
	}
	return scheme + "://" + host + "/"
}

// sayIfTokensCannotBeKept logs that the daemon serves a network with a card that can't
// be written: existing log-ins work, but no new phone can pair. The daemon starts all
// the same, since estimates, alerts and heat do not need the card.
func sayIfTokensCannotBeKept(ctx context.Context, web web.ConfigSection, log *slog.Logger, put func(ctx context.Context, space, key string, value []byte) error) {
	if web.Loopback() {
		return
	}
	if err := put(ctx, "meta-check", "writable", []byte("1")); err != nil {
		log.Error("the card cannot be written: no new log-in can be kept until it can", "listen", web.Listen, "err", err)
	}
}

// Watch runs the daemon until ctx ends. ready is called once it listens, with
// the reason why no wired probe was found, "" where there are some.
func Watch(ctx context.Context, cfg Config, version string, log *slog.Logger, ready func(addr net.Addr, noProbe string)) error {
	for {
		err := watchOnce(ctx, cfg, version, log, ready)
		if !errors.Is(err, errRestart) {
			return err
		}
		log.Info("starting anew")
	}
}

// errRestart ends a run to restart the daemon at once.
var errRestart = errors.New("start anew")

func watchOnce(ctx context.Context, cfg Config, version string, log *slog.Logger, ready func(addr net.Addr, noProbe string)) error {
	bench := openBench(log)
	probes, why := bench.pollers(ctx, cfg)
	// The heater's output ends after the loop that controls it: its context ends
	// once the loop has switched off.
	hctx, hstop := context.WithCancel(context.WithoutCancel(ctx))
	defer hstop()
	d, err := New(Options{
		Config: cfg, Clock: &wallClock{}, Log: log, Probes: probes, NoProbe: why, ClockTrusted: kernelSynchronised(), Chip: BoardChip, Version: version,
	})
	if err != nil {
		return err
	}
	defer d.store.Close()
	sock, path, gid := openSocket(cfg, log) // only once this process holds the store
	if sock != nil {
		defer sock.Close()
	}
	srv, heating, err := d.assemble(hctx, path)
	if err != nil {
		return err
	}
	sayIfTokensCannotBeKept(ctx, cfg.Web, log, d.store.PutKV)
	ln, err := net.Listen("tcp", cfg.Web.Listen)
	if err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	ready(ln.Addr(), d.noProbes)
	log.Info("watching", "listen", ln.Addr().String(), "data", cfg.Store.Path, "probes", len(probes))
	d.restart = make(chan struct{}, 1)
	more := append(heating, Part{"restart", func(ctx context.Context) error {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-d.restart:
			return errRestart
		}
	}})
	if sock != nil {
		more = append(more, Part{"socket", func(ctx context.Context) error { return srv.ServeSocket(ctx, sock, gid) }})
	}
	if len(cfg.Probe) == 0 {
		more = append(more, Part{"discovery", func(ctx context.Context) error { return bench.rediscover(ctx, d) }})
	}
	if p, ok := openSupervisor(d, log); ok {
		more = append(more, p)
	}
	return d.Run(ctx, ln, srv, more...)
}

// assemble makes the tent, whose parts it returns, and the page's server; nothing
// runs yet.
func (d *Daemon) assemble(hctx context.Context, socket string) (srv *web.Server, heating []Part, err error) {
	var terr, werr error
	d.tent, heating, terr = openTent(hctx, d, d.log)
	srv, werr = web.New(web.Config{ConfigSection: d.cfg.Web, Version: d.version, Log: d.log, Socket: socket}, d)
	return srv, heating, errors.Join(terr, werr)
}

// Refused returns every reason why a daemon with this configuration would not start.
// It makes the parts as [Watch] does, with a temporary store and without touching
// hardware. Faults that only show at the start, such as a port in use, are not found.
// With unseen, where this user may not read every secret, only the store's folder is
// checked.
func Refused(ctx context.Context, cfg Config, unseen bool) error {
	ctx, cancel := context.WithCancel(ctx)
	cancel() // so that no part begins to run
	serr := storeFolder(cfg.Store.Path)
	if unseen {
		return serr
	}
	dir, err := os.MkdirTemp("", "curewright-check-")
	if err != nil {
		return errors.Join(serr, fmt.Errorf("a folder to try the configuration in: %w", err))
	}
	defer os.RemoveAll(dir)
	cfg.Store.Path = dir
	d, err := New(Options{Config: cfg, Clock: &wallClock{}, Log: slog.New(slog.DiscardHandler), Dry: true})
	if err == nil {
		_, _, err = d.assemble(ctx, "")
		err = errors.Join(err, d.store.Close())
	}
	return errors.Join(serr, err)
}

// storeFolder says why no store can be in a folder, which need not be there yet.
func storeFolder(path string) error {
	for dir := filepath.Clean(path); ; dir = filepath.Dir(dir) {
		fi, err := os.Stat(dir)
		switch {
		case err == nil && !fi.IsDir():
			return fmt.Errorf("store.path: %s is no folder", dir)
		case err == nil || dir == filepath.Dir(dir):
			return nil
		case !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, syscall.ENOTDIR):
			return fmt.Errorf("store.path: %w", err)
		}
	}
}

// Describe lists what a daemon with this configuration would run, a line each, as
// the reader's view says it.
func (c Config) Describe(v words.View) []string {
	out := []string{fmt.Sprintf("  %-10s %s", v.Say("check.row.store", nil), c.Store.Path)}
	row := func(label, code string, f words.Facts) { out = append(out, checkRow(v, label, code, f)) }
	page := "page"
	if c.Web.Loopback() {
		page = "page_here"
	}
	row("page", page, words.Facts{"listen": c.Web.Listen})
	if len(c.Probe) == 0 {
		row("probes", "probes_found", nil)
	}
	for _, p := range c.Probe {
		var bus any = p.Bus
		if p.Bus == "" {
			bus = words.Code("check.no_bus")
		}
		row("probe", "probe", words.Facts{"probe": p.ID, "driver": p.Driver, "bus": bus})
	}
	socket, _ := SocketPath(c)
	row("control", "control", words.Facts{"socket": socket})
	if len(c.Web.Proxies) > 0 {
		row("proxies", "proxies", words.Facts{"proxies": strings.Join(c.Web.Proxies, ", ")})
	}
	out = append(out, TentLines(c.Tent, v)...)
	out = append(out, mqttLines(c.MQTT, c.Shop.Name, v)...)
	if c.Influx.On() {
		row("influx", "influx", words.Facts{"url": c.Influx.URL, "bucket": c.Influx.Bucket})
	}
	if c.Sleep.From != "" {
		row("asleep", "asleep", words.Facts{"from": c.Sleep.From, "to": c.Sleep.To})
	}
	for _, ch := range c.Alert.Channels {
		row("alerts", "alerts", words.Facts{"channel": ch.Name, "kind": ch.Kind})
	}
	if len(c.Alert.Channels) == 0 {
		row("alerts", "alerts_none", nil)
	}
	return out
}

// checkRow is a line of what check lists: what it is about in the first columns, ""
// for what the line above is about, and the sentence of a code below "check.".
func checkRow(v words.View, label, code string, facts words.Facts) string {
	if label != "" {
		label = v.Say("check.row."+label, nil)
	}
	return fmt.Sprintf("  %-10s %s", label, v.Say("check."+code, facts))
}
