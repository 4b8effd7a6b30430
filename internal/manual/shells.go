package manual

import (
	"fmt"
	"slices"
	"strings"
)

// paths lists the commands by what is typed, as patterns of a shell's case.
func paths(list []command) string {
	var out []string
	for _, c := range list[1:] {
		out = append(out, shellQuote(c.path))
	}
	return strings.Join(out, "|")
}

// taking lists the flags with a value.
func taking(list []command, is func(flag) bool) (names []string) {
	for _, c := range list {
		for _, f := range c.flags {
			if f.value == "" || !is(f) {
				continue
			}
			names = append(names, f.name)
			if f.short != "" {
				names = append(names, f.short)
			}
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func everyFlag(flag) bool { return true }

func shellQuote(s string) string { return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'" }

// bash completes as bash(1), "Programmable Completion", has it, without further files.
func bash(name string, list []command) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# bash completion for %s\n_%s() {\n", name, name)
	b.WriteString("  local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} at= i word words=\n")
	fmt.Fprintf(&b, "  for ((i = 1; i < COMP_CWORD; i++)); do\n    word=${COMP_WORDS[i]}\n    case $word in\n      %s) ((i++)); continue ;;\n      -*) continue ;;\n    esac\n", strings.Join(taking(list, everyFlag), "|"))
	fmt.Fprintf(&b, "    case \"${at:+$at }$word\" in\n      %s) at=${at:+$at }$word ;;\n    esac\n  done\n", paths(list))
	b.WriteString("  case $prev in\n")
	for _, c := range list {
		for _, f := range c.flags {
			if len(f.values) > 0 {
				fmt.Fprintf(&b, "    %s) words=%s ;;\n", f.name, shellQuote(strings.Join(f.values, " ")))
			}
		}
	}
	fmt.Fprintf(&b, "    %s) [ -n \"$words\" ] || return ;;\n    *) case $at in\n", strings.Join(taking(list, everyFlag), "|"))
	for _, c := range list {
		fmt.Fprintf(&b, "      %s) words=%s ;;\n", shellQuote(c.path), shellQuote(strings.Join(names(list, c), " ")))
	}
	fmt.Fprintf(&b, "    esac ;;\n  esac\n  COMPREPLY=($(compgen -W \"$words\" -- \"$cur\"))\n}\ncomplete -o default -F _%s %s\n", name, name)
	return b.String()
}

// names is what can be typed at a command.
func names(list []command, c command) (out []string) {
	for _, s := range c.subs {
		out = append(out, s.name)
	}
	for _, f := range above(list, c.path) {
		out = append(out, f.name)
	}
	return out
}

// zsh completes as zshcompsys(1) has it.
func zsh(name string, list []command) string {
	var b strings.Builder
	fmt.Fprintf(&b, "#compdef %s\n_%s() {\n  local at= i word\n  local -a offers\n", name, name)
	fmt.Fprintf(&b, "  for ((i = 2; i < CURRENT; i++)); do\n    word=$words[i]\n    case $word in\n      %s) ((i++)); continue ;;\n      -*) continue ;;\n    esac\n", "("+strings.Join(taking(list, everyFlag), "|")+")")
	fmt.Fprintf(&b, "    case \"${at:+$at }$word\" in\n      (%s) at=${at:+$at }$word ;;\n    esac\n  done\n", paths(list))
	fmt.Fprintf(&b, "  case $words[CURRENT-1] in\n    (%s) _files; return ;;\n  esac\n  case $at in\n", strings.Join(taking(list, everyFlag), "|"))
	for _, c := range list {
		fmt.Fprintf(&b, "    (%s) offers=(", shellQuote(c.path))
		for _, s := range c.subs {
			b.WriteString(" " + shellQuote(offer(s)))
		}
		for _, f := range above(list, c.path) {
			b.WriteString(" " + shellQuote(offer(f.word)))
		}
		b.WriteString(") ;;\n")
	}
	fmt.Fprintf(&b, "  esac\n  _describe %s offers || _files\n}\n_%s \"$@\"\n", name, name)
	return b.String()
}

// offer is a word with its meaning; a colon in either would end it.
func offer(w word) string {
	colon := strings.NewReplacer(":", `\:`)
	return colon.Replace(w.name) + ":" + colon.Replace(w.help)
}

// fish completes as fish's complete(1) has it.
func fish(name string, list []command) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# fish completion for %s\nfunction __%s_at\n    set -l at\n    set -l skip 0\n    for word in (commandline -opc)[2..]\n", name, name)
	fmt.Fprintf(&b, "        if test $skip = 1\n            set skip 0\n            continue\n        end\n        switch $word\n            case %s\n                set skip 1\n                continue\n            case '-*'\n                continue\n        end\n", strings.Join(quoteAll(taking(list, everyFlag)), " "))
	var all []string
	for _, c := range list[1:] {
		all = append(all, shellQuote(c.path))
	}
	fmt.Fprintf(&b, "        switch (string trim \"$at $word\")\n            case %s\n                set at (string trim \"$at $word\")\n        end\n    end\n    test \"$at\" = \"$argv\"\nend\n", strings.Join(all, " "))
	for _, c := range list {
		when := fmt.Sprintf("complete -c %s -n '__%s_at %s'", name, name, c.path)
		for _, s := range c.subs {
			fmt.Fprintf(&b, "%s -f -a %s -d %s\n", when, shellQuote(s.name), fishQuote(s.help))
		}
		for _, f := range above(list, c.path) {
			line := fmt.Sprintf("%s -l %s -d %s", when, shellQuote(strings.TrimPrefix(f.name, "--")), fishQuote(f.help))
			if f.short != "" {
				line += " -s " + strings.TrimPrefix(f.short, "-")
			}
			if f.value != "" {
				line += " -r"
			}
			if len(f.values) > 0 {
				line += " -f -a " + shellQuote(strings.Join(f.values, " "))
			}
			b.WriteString(line + "\n")
		}
	}
	return b.String()
}

func quoteAll(list []string) (out []string) {
	for _, s := range list {
		out = append(out, shellQuote(s))
	}
	return out
}

func fishQuote(s string) string {
	return "'" + strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(s) + "'"
}

// powershell completes by Register-ArgumentCompleter.
func powershell(name string, list []command) string {
	quote := func(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }
	var b strings.Builder
	fmt.Fprintf(&b, "# PowerShell completion for %s\nRegister-ArgumentCompleter -Native -CommandName %s -ScriptBlock {\n", name, quote(name))
	b.WriteString("    param($wordToComplete, $commandAst, $cursorPosition)\n    $offers = @{\n")
	for _, c := range list {
		fmt.Fprintf(&b, "        %s = @(\n", quote(c.path))
		for _, s := range c.subs {
			fmt.Fprintf(&b, "            ,@(%s, %s)\n", quote(s.name), quote(s.help))
		}
		for _, f := range above(list, c.path) {
			fmt.Fprintf(&b, "            ,@(%s, %s)\n", quote(f.name), quote(f.help))
		}
		b.WriteString("        )\n")
	}
	b.WriteString("    }\n")
	var values []string
	for _, v := range taking(list, everyFlag) {
		values = append(values, quote(v))
	}
	fmt.Fprintf(&b, "    $takes = @(%s)\n", strings.Join(values, ", "))
	b.WriteString(`    $at = ''
    $skip = $false
    foreach ($element in $commandAst.CommandElements | Select-Object -Skip 1) {
        if ($element.Extent.EndOffset -ge $cursorPosition) { break }
        $word = $element.ToString()
        if ($skip) { $skip = $false; continue }
        if ($takes -ccontains $word) { $skip = $true; continue }
        $next = "$at $word".Trim()
        if ($offers.ContainsKey($next)) { $at = $next }
    }
    if ($skip) { return }
    $offers[$at] | Where-Object { $_[0] -like "$wordToComplete*" } | ForEach-Object {
        $text = if ($_[1]) { $_[1] } else { $_[0] }
        [System.Management.Automation.CompletionResult]::new($_[0], $_[0], 'ParameterValue', $text)
    }
}
`)
	return b.String()
}
