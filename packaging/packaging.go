// SPDX-License-Identifier: Apache-2.0

// Package packaging holds what a system is told about curewright: the systemd
// unit, the daemon's own user and groups, who may use the buses, and a first
// configuration that says nothing yet. The install command writes them, the
// Debian packages carry them; both take them from here.
package packaging

import (
	"embed"
	"fmt"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
)

//go:embed files
var files embed.FS

// User is the daemon's own user and group.
const User = "curewright"

// StateDir is where the service keeps its store; systemd makes it and gives it
// to [User].
const StateDir = "/var/lib/curewright"

// Groups own the buses on systems for small boards. 1-wire needs none: the
// kernel's files can be read by everybody.
var Groups = []string{"i2c", "gpio"}

// Service is the name of the unit.
const Service = "curewright.service"

// Layout is where things go.
type Layout struct {
	Binary   string // absolute path of the program
	Config   string // absolute path of the configuration
	Doc      string // absolute path of a page about the service
	Units    string // folder of systemd's units
	Sysusers string // folder of systemd-sysusers
	Udev     string // folder of udev's rules
}

// Local is what an administrator writes by hand or by the install command.
func Local() Layout {
	return Layout{
		Binary: "/usr/local/bin/curewright", Config: "/etc/curewright/curewright.toml",
		Doc:   "/usr/local/share/doc/curewright/service.md",
		Units: "/etc/systemd/system", Sysusers: "/etc/sysusers.d", Udev: "/etc/udev/rules.d",
	}
}

// Packaged is where a distribution's package puts them.
func Packaged() Layout {
	return Layout{
		Binary: "/usr/bin/curewright", Config: "/etc/curewright/curewright.toml",
		Doc:   "/usr/share/doc/curewright/service.md",
		Units: "/usr/lib/systemd/system", Sysusers: "/usr/lib/sysusers.d", Udev: "/usr/lib/udev/rules.d",
	}
}

// MDNSFile is where the system's multicast DNS looks for what it announces.
const MDNSFile = "/etc/avahi/services/curewright.service"

// MDNS returns the file by which a board's multicast DNS announces the page, so
// that a phone finds it by the board's name: for a page that is served to the
// network, on a port, over TLS or not.
func MDNS(port int, tls bool) (File, error) {
	if port < 1 || port > 65535 {
		return File{}, fmt.Errorf("port %d cannot be announced", port)
	}
	text, err := fs.ReadFile(files, "files/curewright.mdns")
	if err != nil {
		return File{}, err
	}
	kind := "_http._tcp"
	if tls {
		kind = "_https._tcp"
	}
	filled := strings.NewReplacer("{{.Type}}", kind, "{{.Port}}", strconv.Itoa(port)).Replace(string(text))
	return File{Path: MDNSFile, Text: filled, What: "announcement"}, nil
}

// File is one file of an installation.
type File struct {
	Path string // absolute
	Text string
	What string // it is for, in a word: user, access, settings, service or announcement
	Keep bool   // the person's own once it exists: never overwritten
}

// Files returns all files but the program itself, in the order in which they
// are needed. The error names a path that a unit could not carry.
func (l Layout) Files() ([]File, error) {
	for _, p := range []string{l.Binary, l.Config, l.Doc, l.Units, l.Sysusers, l.Udev} {
		if !filepath.IsAbs(p) {
			return nil, fmt.Errorf("%q is not an absolute path", p)
		}
		// systemd splits at blanks and expands % and $.
		if strings.ContainsAny(p, " \t\n\"'\\%$;") {
			return nil, fmt.Errorf("%q has a character that means something to systemd", p)
		}
	}
	text := func(name string) string {
		b, err := fs.ReadFile(files, "files/"+name)
		if err != nil {
			panic(err) // embedded: cannot be absent
		}
		return string(b)
	}
	unit := strings.NewReplacer("{{.Doc}}", l.Doc, "{{.Binary}}", l.Binary, "{{.Config}}", l.Config).Replace(text(Service))
	return []File{
		{Path: filepath.Join(l.Sysusers, "curewright.conf"), Text: text("sysusers.conf"), What: "user"},
		{Path: filepath.Join(l.Udev, "60-curewright.rules"), Text: text("curewright.rules"), What: "access"},
		{Path: l.Config, Text: text("curewright.toml"), What: "settings", Keep: true},
		{Path: filepath.Join(l.Units, Service), Text: unit, What: "service"},
	}, nil
}
