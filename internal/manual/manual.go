// SPDX-License-Identifier: Apache-2.0

// Package manual turns the description of the command line, the same one that
// --help prints, into a page of the manual and into completions for bash, zsh
// and fish. It knows nothing of any one command.
package manual

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"curewright/internal/argv"
)

// Formats are what [Write] can make.
var Formats = []string{"bash", "zsh", "fish", "man"}

// Write prints one of [Formats] for a command line. The version stands in the
// manual's footer. It is an error to ask for another format.
func Write(w io.Writer, format string, app *argv.Node, version string) error {
	var b strings.Builder
	switch format {
	case "bash":
		bash(&b, app)
	case "zsh":
		zsh(&b, app)
	case "fish":
		fish(&b, app)
	case "man":
		man(&b, app, version)
	default:
		return fmt.Errorf("%q: want one of %s", format, strings.Join(Formats, ", "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// command is one command of the tree with what may follow it.
type command struct {
	path  []string // without the program's name
	help  string
	words []word // subcommands
	flags []word // its own and those of all above it
	args  []*argv.Value
	alone bool // it can be run itself
}

// at is the path as the completions compare it: each name with a space before it.
func (c command) at() string {
	at := ""
	for _, p := range c.path {
		at += " " + p
	}
	return at
}

type word struct{ name, value, help, def string }

// commands lists the tree depth first, the program itself first. What is
// hidden from --help is left out.
func commands(app *argv.Node) []command {
	var out []command
	var walk func(n *argv.Node, path []string, inherited []word)
	walk = func(n *argv.Node, path []string, inherited []word) {
		c := command{path: slices.Clone(path), help: n.Help, args: n.Args, alone: len(n.Children) == 0}
		c.flags = slices.Clone(inherited)
		for _, f := range n.Flags {
			if f.Hidden {
				continue
			}
			w := word{name: "--" + f.Name, help: f.Help}
			if !f.IsBool() {
				w.value = f.Stands()
				if f.Enum != nil {
					w.value = strings.Join(f.Enum, "|")
				}
			}
			if f.HasDefault {
				w.def = f.Default
			}
			c.flags = append(c.flags, w)
		}
		for _, k := range n.Shown() {
			c.words = append(c.words, word{name: k.Name, help: k.Help})
		}
		out = append(out, c)
		for _, k := range n.Shown() {
			walk(k, append(path, k.Name), c.flags)
		}
	}
	walk(app, nil, nil)
	return out
}

func names(ws []word) string {
	var s []string
	for _, w := range ws {
		s = append(s, w.name)
	}
	return strings.Join(s, " ")
}

// values are the words that a flag takes where they are few and known.
func (w word) values() string {
	if !strings.Contains(w.value, "|") {
		return ""
	}
	return strings.ReplaceAll(w.value, "|", " ")
}

func bash(b *strings.Builder, app *argv.Node) {
	name := app.Name
	fmt.Fprintf(b, "# bash completion for %s, made by `%s completion bash`\n_%s() {\n", name, name, name)
	b.WriteString("  local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} path= w words= flags=\n")
	b.WriteString("  for w in \"${COMP_WORDS[@]:1:COMP_CWORD-1}\"; do\n    case \"$path $w\" in\n")
	all := commands(app)
	for _, c := range all[1:] {
		fmt.Fprintf(b, "    %q) path=%q ;;\n", c.at(), c.at())
	}
	b.WriteString("    esac\n  done\n  case \"$path\" in\n")
	for _, c := range all {
		fmt.Fprintf(b, "  %q) words=%q; flags=%q ;;\n", c.at(), names(c.words), names(c.flags))
	}
	b.WriteString("  esac\n  case \"$prev\" in\n")
	seen := map[string]bool{}
	for _, c := range all {
		for _, f := range c.flags {
			if v := f.values(); v != "" && !seen[f.name] {
				seen[f.name] = true
				fmt.Fprintf(b, "  %s) COMPREPLY=($(compgen -W %q -- \"$cur\")); return ;;\n", f.name, v)
			}
		}
	}
	fmt.Fprintf(b, "  esac\n  if [[ $cur == -* ]]; then COMPREPLY=($(compgen -W \"$flags\" -- \"$cur\"))\n  else COMPREPLY=($(compgen -W \"$words\" -- \"$cur\")); fi\n}\ncomplete -o default -F _%s %s\n", name, name)
}

// quote makes a shell word in single quotes.
func quote(s string) string { return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'" }

func zsh(b *strings.Builder, app *argv.Node) {
	name := app.Name
	fmt.Fprintf(b, "#compdef %s\n# zsh completion for %s, made by `%s completion zsh`\n_%s() {\n", name, name, name, name)
	b.WriteString("  local path='' w\n  local -a say\n  for w in ${words[2,CURRENT-1]}; do\n    case \"$path $w\" in\n")
	all := commands(app)
	for _, c := range all[1:] {
		fmt.Fprintf(b, "    %s) path=%s ;;\n", quote(c.at()), quote(c.at()))
	}
	b.WriteString("    esac\n  done\n  case \"$path\" in\n")
	for _, c := range all {
		fmt.Fprintf(b, "  %s)\n    if [[ $PREFIX == -* ]]; then say=(", quote(c.at()))
		for _, f := range c.flags {
			fmt.Fprintf(b, " %s", quote(strings.ReplaceAll(f.name, ":", `\:`)+":"+firstSentence(f.help)))
		}
		b.WriteString(" )\n    else say=(")
		for _, w := range c.words {
			fmt.Fprintf(b, " %s", quote(w.name+":"+firstSentence(w.help)))
		}
		b.WriteString(" ); fi ;;\n")
	}
	fmt.Fprintf(b, "  esac\n  if (( ${#say} )); then _describe '%s' say; else _files; fi\n}\n_%s \"$@\"\n", name, name)
}

func fish(b *strings.Builder, app *argv.Node) {
	name := app.Name
	fmt.Fprintf(b, "# fish completion for %s, made by `%s completion fish`\n", name, name)
	for _, c := range commands(app) {
		when := "__fish_use_subcommand"
		if len(c.path) > 0 {
			var seen []string
			for _, p := range c.path {
				seen = append(seen, "__fish_seen_subcommand_from "+p)
			}
			when = strings.Join(seen, "; and ")
		}
		inside := when
		if len(c.words) > 0 && len(c.path) > 0 {
			inside += "; and not __fish_seen_subcommand_from " + names(c.words)
		}
		for _, w := range c.words {
			fmt.Fprintf(b, "complete -c %s -n %s -f -a %s -d %s\n", name, quote(inside), w.name, quote(firstSentence(w.help)))
		}
		for _, f := range c.flags {
			extra := ""
			switch {
			case f.values() != "":
				extra = " -x -a " + quote(f.values())
			case f.value != "":
				extra = " -r"
			}
			fmt.Fprintf(b, "complete -c %s -n %s -l %s%s -d %s\n", name, quote(when), strings.TrimPrefix(f.name, "--"), extra, quote(firstSentence(f.help)))
		}
	}
}

// firstSentence is what fits beside a word in a menu.
func firstSentence(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if i := strings.Index(s, ". "); i > 0 {
		s = s[:i]
	}
	return strings.TrimSuffix(s, ".")
}

// roff escapes a text for troff (groff_man(7)): a backslash, a hyphen that is
// typed as one, and a dot or quote at the start of a line.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(strings.Join(strings.Fields(s), " "))
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s
}

func man(b *strings.Builder, app *argv.Node, version string) {
	name := app.Name
	fmt.Fprintf(b, ".TH %s 1 \"\" %q \"User Commands\"\n", strings.ToUpper(name), name+" "+version)
	summary, rest, _ := strings.Cut(app.Help, "\n")
	fmt.Fprintf(b, ".SH NAME\n%s \\- %s\n", name, roff(strings.TrimSuffix(lowerFirst(summary), ".")))
	fmt.Fprintf(b, ".SH SYNOPSIS\n.B %s\n.I COMMAND\n[\\fIOPTION\\fR]...\n", name)
	b.WriteString(".SH DESCRIPTION\n")
	for _, p := range strings.Split(strings.TrimSpace(rest), "\n\n") {
		fmt.Fprintf(b, ".PP\n%s\n", roff(p))
	}
	all := commands(app)
	b.WriteString(".SH OPTIONS\nThese go with every command.\n")
	options(b, all[0].flags)
	b.WriteString(".SH COMMANDS\n")
	global := len(all[0].flags)
	for _, c := range all[1:] {
		if len(c.words) > 0 && !c.alone {
			continue // its subcommands follow
		}
		fmt.Fprintf(b, ".SS %q\n", strings.TrimSpace(strings.Join(append(slices.Clone(c.path), places(c.args)...), " ")))
		fmt.Fprintf(b, "%s\n", roff(c.help))
		for _, a := range c.args {
			if a.Help != "" {
				fmt.Fprintf(b, ".TP\n.I %s\n%s\n", roff(strings.ToUpper(a.Name)), roff(a.Help))
			}
		}
		options(b, c.flags[global:])
	}
	b.WriteString(".SH EXIT STATUS\n0 done; 1 failed while running; 2 bad usage or input, one line a fault on standard error, nothing written.\n")
}

func places(args []*argv.Value) []string {
	var s []string
	for _, a := range args {
		p := strings.ToUpper(a.Name)
		if !a.Required {
			p = "[" + p + "]"
		}
		s = append(s, p)
	}
	return s
}

func options(b *strings.Builder, flags []word) {
	for _, f := range flags {
		fmt.Fprintf(b, ".TP\n.B %s", roff(f.name))
		if f.value != "" {
			fmt.Fprintf(b, "\\fR=\\fI%s", roff(f.value))
		}
		fmt.Fprintf(b, "\\fR\n%s", roff(f.help))
		if f.def != "" && !strings.Contains(f.value, f.def) {
			fmt.Fprintf(b, " Default: %s.", roff(f.def))
		}
		b.WriteString("\n")
	}
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}
