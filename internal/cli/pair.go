// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"

	"rsc.io/qr"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/internal/fault"
)

type PairCmd struct {
	Role string `enum:"look,record,push,control" default:"record" help:"What it may do: look; record work; push readings only; control the tent as well."`
	Name string `placeholder:"NAME" help:"Its name in the list of log-ins."`
	Days int    `placeholder:"N" help:"Days for which the log-in is good, up to 3650. When not given, it is good until the board has run for 180 days without its being used."`
	At   string `placeholder:"URL" help:"Address the phone will open; guessed when not given."`
	NoQR bool   `name:"no-qr" help:"Leave the square out."`
	JSON bool   `help:"Print one JSON object."`
}

func (PairCmd) Help() string {
	return "Run it on the board, or over ssh, while the daemon runs.\n\nExample:\n\n  curewright pair --role record --name \"shed phone\"\n  curewright pair --role look --name \"guest\" --days 2"
}

func (c *PairCmd) Run(a *App, cl *client.Client) error {
	if c.Days < 0 || c.Days > web.MaxTokenDays {
		return fault.Inputf("--days: %d is not between 0 and %d", c.Days, web.MaxTokenDays)
	}
	p, err := cl.NewPairCode(a.Ctx, web.Role(c.Role), c.Name, c.Days)
	if err != nil {
		return err
	}
	at := strings.TrimSuffix(c.At, "/")
	if at == "" {
		at = phoneURL(a.Ctx, cl.Server(), p)
	}
	// The code stands behind the #, which a browser never sends: it does not
	// end up in anybody's log.
	link := at + "/#/login?code=" + url.QueryEscape(p.Code)
	if at == "" {
		link = ""
	}
	if c.JSON {
		return a.JSON(map[string]any{"code": p.Code, "expires": p.Expires, "address": at, "link": link, "local_only": p.LocalOnly})
	}
	if at == "" {
		fmt.Fprintln(a.Out)
		a.row(6, "pair.code", p.Code)
		fmt.Fprintf(a.Out, "\n  %s\n\n", a.say("pair.until", facts{"at": p.Expires.Local().Format("15:04")}))
		fmt.Fprintln(a.Out, hang("  ", a.say("pair.no_network", facts{"flag": "--at http://ADDRESS:PORT"})))
		return nil
	}
	fmt.Fprintln(a.Out)
	a.row(6, "pair.open", at)
	a.row(6, "pair.code", p.Code)
	fmt.Fprintf(a.Out, "\n  %s\n\n", a.say("pair.until", facts{"at": p.Expires.Local().Format("15:04")}))
	if p.LocalOnly && c.At == "" {
		fmt.Fprintln(a.Out, hang("  ", a.say("pair.local_only", facts{"setting": "[web] listen = \"0.0.0.0:8374\""})))
		fmt.Fprintln(a.Out)
		return nil // a square that leads nowhere helps nobody
	}
	if c.NoQR {
		return nil
	}
	return printQR(a.Out, link)
}

// phoneURL is where a phone on the shed's network reaches the page: the
// address that this command was told, else the board's name where the network
// knows it, else the board's own address on the network.
func phoneURL(ctx context.Context, server string, p web.PairCode) string {
	if u, err := url.Parse(server); err == nil && u.Host != "" {
		ip := net.ParseIP(u.Hostname())
		if u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return server
		}
	}
	host, port, err := net.SplitHostPort(p.Listen)
	if err != nil {
		return server
	}
	if ip := net.ParseIP(host); ip == nil || ip.IsUnspecified() || ip.IsLoopback() {
		name, _ := os.Hostname() // without one an address is left
		ips, _ := OwnAddresses()
		host = reachable(ctx, name, ips, lookUp)
		if host == "" {
			return ""
		}
	}
	scheme := "http"
	if p.TLS {
		scheme = "https"
	}
	return scheme + "://" + net.JoinHostPort(host, port)
}

// reachable is the board's name, if asking for it the way a phone does leads to
// one of the board's own addresses; else the first of these, IPv4 before IPv6;
// "" where there is none. A name that nothing answers for is never given out.
func reachable(ctx context.Context, name string, own []string, look func(context.Context, string) []string) string {
	if plainName.MatchString(name) {
		if !strings.Contains(name, ".") {
			name += ".local"
		}
		for _, a := range look(ctx, name) {
			if slices.Contains(own, a) {
				return name
			}
		}
	}
	best := ""
	for _, a := range own {
		if best == "" || !strings.Contains(a, ":") && strings.Contains(best, ":") {
			best = a
		}
	}
	return best
}

// plainName is a host's name as the network can know it; systems without one
// say "(none)".
var plainName = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?$`)

// lookUp asks for a name's addresses: one in .local by multicast DNS, as a phone
// does, any other from the system's resolver.
func lookUp(ctx context.Context, name string) []string {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	if strings.HasSuffix(name, ".local") {
		found, _ := askMulticast(ctx, name, mdnsGroup)
		return found
	}
	found, _ := net.DefaultResolver.LookupHost(ctx, name)
	return found
}

// printQR draws the square with half blocks, two rows of it a line, dark on
// light as cameras want it.
func printQR(w io.Writer, text string) error {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return err
	}
	const quiet = 2
	light := func(x, y int) bool {
		return x < 0 || y < 0 || x >= code.Size || y >= code.Size || !code.Black(x, y)
	}
	for y := -quiet; y < code.Size+quiet; y += 2 {
		var b strings.Builder
		b.WriteString("  ")
		for x := -quiet; x < code.Size+quiet; x++ {
			switch top, low := light(x, y), light(x, y+1); {
			case top && low:
				b.WriteRune('█')
			case top:
				b.WriteRune('▀')
			case low:
				b.WriteRune('▄')
			default:
				b.WriteByte(' ')
			}
		}
		fmt.Fprintln(w, b.String())
	}
	_, err = fmt.Fprintln(w)
	return err
}

// OwnAddresses are this board's addresses that others can reach.
func OwnAddresses() ([]string, error) {
	ifs, err := net.Interfaces()
	if err != nil {
		return nil, err
	}
	var out []string
	for _, i := range ifs {
		if i.Flags&net.FlagUp == 0 || i.Flags&net.FlagLoopback != 0 {
			continue
		}
		as, err := i.Addrs()
		if err != nil {
			continue // it went away while we looked
		}
		for _, a := range as {
			if n, ok := a.(*net.IPNet); ok && !n.IP.IsLinkLocalUnicast() {
				out = append(out, n.IP.String())
			}
		}
	}
	return out, nil
}
