package sysinfo

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"capd.example/internal/testlab"
	"capd.example/record"
)

// TestDocsNameEverySourceOfWindows: the table of docs/detection.md, which says of everything since
// when Windows has it and how it was tried, leaves out no source of a field or a series.
func TestDocsNameEverySourceOfWindows(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(testlab.Root(), "docs", "detection.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, table, found := strings.Cut(string(text), "\n| fields and series | source |")
	table, _, ended := strings.Cut(table, "\n\n")
	if !found || !ended || strings.Count(table, "\n") < 20 {
		t.Fatalf("no table of fields and series: %q", table)
	}
	views, err := look(t.Context(), false, New(Options{Windows: recordedWindows(t, "windows-a"), NVML: twoCards{}}),
		New(Options{Windows: recordedWindows(t, "windows-a")}))
	if err != nil {
		t.Fatal(err)
	}
	sources := map[string]string{record.SeriesSlept: "QueryUnbiasedInterruptTime"}
	for _, v := range views {
		for _, f := range v.system.Fields {
			if f.Unknown == "" {
				sources[f.Name] = f.Source
			}
		}
		for _, c := range v.cols {
			sources[c.Name] = c.Source
		}
	}
	for name, source := range sources {
		want := source
		switch {
		case strings.HasPrefix(source, "HKLM"), strings.HasPrefix(source, "HKCU"):
			want = "registry"
		case source == "SMBIOS":
			want = "GetSystemFirmwareTable"
		case strings.HasPrefix(source, `\`): // a counter, by its set or by its own name
			set, counter, _ := strings.Cut(source[1:], `\`)
			set, _, _ = strings.Cut(set, "(")
			if strings.Contains(table, "`"+counter+"`") {
				continue
			}
			want = set
		case strings.HasPrefix(source, "D3DKMT_") && !strings.Contains(table, source): // a kind of its answers
			want = "D3DKMTQueryAdapterInfo"
		case source == "EFFECTIVE_POWER_MODE":
			want = "PowerRegisterForEffectivePowerModeNotifications"
		case source == "nvml":
			want = "nvml.dll"
		case source == "SystemCodeIntegrityInformation":
			want = "`NtQuerySystemInformation` 103"
		}
		if !strings.Contains(table, want) {
			t.Errorf("the table does not tell of %s, which comes from %s (%s)", name, source, want)
		}
	}
	if len(sources) < 60 {
		t.Errorf("only %d fields and series", len(sources))
	}
}
