package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"

	"curewright/dashboards/web"
	"curewright/model/tomlfile"
)

type watchCmd struct {
	Config string `placeholder:"FILE" type:"path" help:"Configuration; without one, probes are looked for and the page is on this machine only."`
	Data   string `placeholder:"DIR" type:"path" help:"Folder of the store; wins over the file."`
	Listen string `placeholder:"ADDR" help:"Address to serve, HOST:PORT; wins over the file."`
	Log    string `enum:"text,json" default:"text" help:"Form of the log on standard error."`
}

func (watchCmd) Help() string {
	return "Example:\n\n  curewright watch --config /etc/curewright/curewright.toml\n\n" + caution
}

// prepare reads the configuration and applies the flags over it.
func (c *watchCmd) prepare() (config, error) {
	cfg, _, err := loadWith(c.Config, func(cfg config, f *tomlfile.File) (tomlfile.Faults, []string) { return cfg.lookAtSecrets(f, true) })
	if c.Data != "" {
		cfg.Store.Path = c.Data
	}
	var ferr error
	if c.Listen != "" {
		cfg.Web.Listen = c.Listen
		if errs := cfg.Web.Check(); len(errs) > 0 && err == nil {
			ferr = usagef("--listen: %s", strings.TrimPrefix(errors.Join(errs...).Error(), "web.listen: "))
		}
	}
	return cfg, joinUsage(err, ferr)
}

func (c *watchCmd) Run(a *app) error {
	cfg, err := c.prepare()
	if err != nil {
		return err
	}
	var h slog.Handler = slog.NewTextHandler(a.err, nil)
	if c.Log == "json" {
		h = slog.NewJSONHandler(a.err, nil)
	}
	log := slog.New(h)
	if os.Getenv("GOMEMLIMIT") == "" {
		// Small boards have 512 MB for everything: collect sooner rather than
		// grow. It is a soft limit, and the environment overrides it.
		debug.SetMemoryLimit(40 << 20)
	}
	return watch(a.ctx, cfg, log, func(addr net.Addr, d *daemon) {
		fmt.Fprintf(a.out, "curewright watches. Open %s\n", pageURL(cfg, addr))
		if d.noProbes != "" {
			fmt.Fprintln(a.out, wrap(d.noProbes, 78))
		}
	})
}

func pageURL(cfg config, addr net.Addr) string {
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

// canKeepTokens refuses an address beyond this machine where the store can't be
// written: whoever may come in is written there, and without it the page would
// be shut to its owner, or open to the yard.
func canKeepTokens(ctx context.Context, web web.ConfigSection, put func(ctx context.Context, space, key string, value []byte) error) error {
	if web.Loopback() {
		return nil
	}
	if err := put(ctx, "meta-check", "writable", []byte("1")); err != nil {
		return fmt.Errorf("%s is not on this machine only, and who may come in can't be kept: %w", web.Listen, err)
	}
	return nil
}

// watch runs the daemon until ctx ends. ready is called once it listens.
func watch(ctx context.Context, cfg config, log *slog.Logger, ready func(net.Addr, *daemon)) error {
	bench := openBench(log)
	probes, why := bench.pollers(ctx, cfg)
	d, err := newDaemon(daemonOptions{
		cfg: cfg, clk: &wallClock{}, log: log, probes: probes, noProbe: why, trusted: clockSynchronised(),
	})
	if err != nil {
		return err
	}
	defer d.store.Close()
	if err := canKeepTokens(ctx, cfg.Web, d.store.PutKV); err != nil {
		return err
	}
	// The heater lives a little longer than what asks for it, never without:
	// its context ends after the loop has switched off.
	hctx, hstop := context.WithCancel(context.WithoutCancel(ctx))
	defer hstop()
	tent, heating, err := openTent(hctx, d, log)
	if err != nil {
		return err
	}
	d.tent = tent
	sock, sockPath, gid := openSocket(cfg, log)
	if sock != nil {
		defer sock.Close()
	}
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: build.Version, Log: log, Socket: sockPath}, d.backend())
	if err != nil {
		return err
	}
	ln, err := net.Listen("tcp", cfg.Web.Listen)
	if err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	ready(ln.Addr(), d)
	log.Info("watching", "listen", ln.Addr().String(), "data", cfg.Store.Path, "probes", len(probes))
	more := heating
	if sock != nil {
		more = append(more, serveSocket(srv, sock, gid))
	}
	if len(cfg.Probe) == 0 {
		more = append(more, part{"discovery", func(ctx context.Context) error { return bench.lookAgain(ctx, d) }})
	}
	if p, ok := openSupervisor(d, log); ok {
		more = append(more, p)
	}
	return d.run(ctx, ln, srv, more...)
}

type checkCmd struct {
	Config string `placeholder:"FILE" type:"path" help:"Configuration to check; the defaults without one."`
}

func (checkCmd) Help() string {
	return "Example:\n\n  curewright check --config curewright.toml"
}

func (c *checkCmd) Run(a *app) error {
	cfg, notes, err := loadWith(c.Config, func(cfg config, f *tomlfile.File) (tomlfile.Faults, []string) { return cfg.lookAtSecrets(f, false) })
	if err != nil {
		return err
	}
	good := "The defaults are good."
	if c.Config != "" {
		good = filepath.Base(c.Config) + " is good."
	}
	fmt.Fprintf(a.out, "%s It would run:\n", good)
	fmt.Fprintf(a.out, "  store      %s\n", cfg.Store.Path)
	fmt.Fprintf(a.out, "  page       %s%s\n", cfg.Web.Listen, map[bool]string{true: ", this machine only", false: ", behind the log-in"}[cfg.Web.Loopback()])
	if len(cfg.Probe) == 0 {
		fmt.Fprintln(a.out, "  probes     whatever is found on I2C and 1-wire, and what is pushed")
	}
	for _, p := range cfg.Probe {
		bus := p.Bus
		if bus == "" {
			bus = "over the network"
		}
		fmt.Fprintf(a.out, "  probe      %s: %s, %s\n", p.ID, p.Driver, bus)
	}
	socket, _ := socketPath(cfg)
	fmt.Fprintf(a.out, "  control    %s, or a log-in for it\n", socket)
	if len(cfg.Web.Proxies) > 0 {
		fmt.Fprintf(a.out, "  proxies    %s: what comes through them needs a log-in\n", strings.Join(cfg.Web.Proxies, ", "))
	}
	for _, l := range tentLines(cfg.Tent) {
		fmt.Fprintln(a.out, l)
	}
	for _, l := range mqttLines(cfg.MQTT, cfg.Shop.Name) {
		fmt.Fprintln(a.out, l)
	}
	if cfg.Influx.On() {
		fmt.Fprintf(a.out, "  influx     %s, bucket %s\n", cfg.Influx.URL, cfg.Influx.Bucket)
	}
	if cfg.Sleep.From != "" {
		fmt.Fprintf(a.out, "  asleep     %s to %s\n", cfg.Sleep.From, cfg.Sleep.To)
	}
	for _, ch := range cfg.Alert.Channels {
		fmt.Fprintf(a.out, "  alerts by  %s (%s)\n", ch.Name, ch.Kind)
	}
	if len(cfg.Alert.Channels) == 0 {
		fmt.Fprintln(a.out, "  alerts by  the page and the log only: nothing that wakes you")
	}
	for _, n := range notes {
		fmt.Fprintf(a.out, "  secret     %s\n", n)
	}
	return nil
}
