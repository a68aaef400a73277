// SPDX-License-Identifier: Apache-2.0

package argv

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// columns is a terminal's width: what is written is not wider.
const columns = 80

// WriteHelp writes what --help prints of a command.
func (n *Node) WriteHelp(w io.Writer) error {
	var b strings.Builder
	root := n.root()
	usage := strings.TrimSpace(root.Name + " " + n.Path())
	if len(n.Children) > 0 {
		usage += " <command>"
	}
	for _, v := range n.Args {
		usage += " " + v.placed()
	}
	for _, v := range n.Flags {
		if v.Required {
			usage += " " + v.said()
		}
	}
	fmt.Fprintf(&b, "Usage: %s [flags]\n", usage)
	paragraphs(&b, n.Help)
	paragraphs(&b, n.Detail)
	var args [][2]string
	for _, v := range n.Args {
		args = append(args, [2]string{v.placed(), v.Help})
	}
	table(&b, "Arguments:", args)
	own := "Flags:"
	if n != root {
		table(&b, own, rows(n.Flags))
		own = "Flags of every command:"
	}
	var kids [][2]string
	for _, k := range n.Shown() {
		kids = append(kids, [2]string{k.Path(), k.Help})
	}
	table(&b, "Commands:", kids)
	table(&b, own, rows(root.Flags))
	if n == root {
		fmt.Fprintf(&b, "\nRun \"%s <command> --help\" for more information on a command.\n", root.Name)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// placed is a value as it stands in the usage, by its place.
func (v *Value) placed() string {
	if v.Required {
		return v.said()
	}
	return "[" + v.said() + "]"
}

func rows(vs []*Value) (out [][2]string) {
	for _, v := range vs {
		if v.Hidden {
			continue
		}
		help := v.Help
		if v.Env != "" {
			help = strings.TrimSuffix(help, ".") + " ($" + v.Env + ")."
		}
		short := "    "
		if v.Short != "" {
			short = "-" + v.Short + ", "
		}
		out = append(out, [2]string{short + v.said(), help})
	}
	return out
}

// table writes two columns, the right one wrapped.
func table(b *strings.Builder, title string, rows [][2]string) {
	if len(rows) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s\n", title)
	wide := 0
	for _, r := range rows {
		if n := utf8.RuneCountInString(r[0]); n <= columns*3/8 {
			wide = max(wide, n)
		}
	}
	for _, r := range rows {
		lines := Wrap(r[1], columns-wide-6)
		left := r[0]
		if utf8.RuneCountInString(left) > wide {
			fmt.Fprintf(b, "  %s\n", left)
			left = ""
		}
		for _, l := range lines {
			fmt.Fprintf(b, "  %s%s    %s\n", left, strings.Repeat(" ", wide-utf8.RuneCountInString(left)), l)
			left = ""
		}
		if len(lines) == 0 {
			fmt.Fprintf(b, "  %s\n", left)
		}
	}
}

// paragraphs writes a text, wrapped; what is indented in it stays as it is.
func paragraphs(b *strings.Builder, text string) {
	for _, p := range strings.Split(strings.TrimSpace(text), "\n\n") {
		if p == "" {
			continue
		}
		b.WriteByte('\n')
		if !strings.HasPrefix(p, " ") {
			for _, l := range Wrap(p, columns) {
				fmt.Fprintln(b, l)
			}
			continue
		}
		for _, l := range strings.Split(p, "\n") {
			fmt.Fprintln(b, "  "+l)
		}
	}
}

// Wrap splits a text into lines of so many characters at its blanks.
func Wrap(text string, width int) (lines []string) {
	line := ""
	for _, word := range strings.Fields(text) {
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width:
			lines = append(lines, line)
			line = word
		default:
			line += " " + word
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}
