package autostart

import (
	"fmt"
	"path/filepath"
	"strings"
)

// Unit is the text of the user's systemd unit. Sources: systemd.unit(5), systemd.service(5),
// systemd.special(7). A user manager never reaches multi-user.target; graphical-session.target
// is not reached on every desktop, default.target is.
func Unit(s Start) string {
	argv := s.agent()
	line := make([]string, len(argv))
	for i, a := range argv {
		line[i] = unitWord(a, i == 0)
	}
	return fmt.Sprintf(`# `+marker+`; 'capd uninstall' removes it.
[Unit]
Description=Watch the bench: tag, check and alert on each new frame-time log
Documentation=man:capd(1)
# However often it dies, it is started again: logs arrive all the same.
StartLimitIntervalSec=0

[Service]
Type=exec
ExecStart=%s
Restart=on-failure
RestartSec=3
# 2 is a configuration that cannot be used, which a new start would not mend.
RestartPreventExitStatus=2
TimeoutStopSec=30
Nice=5

[Install]
WantedBy=default.target
`, strings.Join(line, " "))
}

// unitWord quotes one word of a command line in a unit. The first, the program, is not
// searched for variables.
func unitWord(s string, program bool) string {
	s = strings.NewReplacer(`\`, `\\`, `"`, `\"`, `%`, `%%`).Replace(s)
	if !program {
		s = strings.ReplaceAll(s, "$", "$$")
	}
	if strings.ContainsAny(s, " '\";\\") || s == "" {
		return `"` + s + `"`
	}
	return s
}

// desktopEntry is the text of an autostart entry. Source: Desktop Entry Specification 1.5,
// "The Exec key", and Desktop Application Autostart Specification.
func desktopEntry(s Start) string {
	argv := s.kept()
	line := make([]string, len(argv))
	for i, a := range argv {
		a = strings.NewReplacer(`\`, `\\`, `"`, `\"`, "`", "\\`", `$`, `\$`).Replace(a)
		// Once for the value of a key, in which \\ is a backslash.
		line[i] = `"` + strings.NewReplacer(`\`, `\\`, `%`, `%%`).Replace(a) + `"`
	}
	return fmt.Sprintf(`# `+marker+`; 'capd uninstall' removes it.
[Desktop Entry]
Type=Application
Version=1.5
Name=capd
Comment=Watch the bench: tag, check and alert on each new frame-time log
Exec=%s
Terminal=false
NoDisplay=true
`, strings.Join(line, " "))
}

// systemctl is a command for the user's manager.
func systemctl(may bool, args ...string) Step {
	return Step{Do: Run, Command: append([]string{"systemctl", "--user"}, args...), May: may}
}

// unitPlan enables the unit and starts it. Where a package brings a unit that says the same
// none of the user's own is written.
func (p Place) unitPlan(s Start, packaged string) Plan {
	unit, text := filepath.Join(p.Units, unitName), Unit(s)
	first := Step{Do: Write, Path: unit, Text: text}
	if packaged == text {
		first = Step{Do: Remove, Path: unit}
	}
	return Plan{first, {Do: Remove, Path: filepath.Join(p.Desktop, desktopName)},
		systemctl(false, "daemon-reload"), systemctl(false, "enable", "--quiet", unitName), systemctl(false, "restart", unitName)}
}

func (p Place) desktopPlan(s Start) Plan {
	return Plan{{Do: Write, Path: filepath.Join(p.Desktop, desktopName), Text: desktopEntry(s)}, {Do: Begin, Command: s.kept()}}
}
