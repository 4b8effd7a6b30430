// Package fence keeps the import map of DEVELOPERS.md true.
package fence

import (
	"encoding/json"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"capd.example/internal/testlab"
)

const module = "capd.example/"

// The map: which of our packages a package may import. The longest matching prefix
// counts; "*" allows all. Tests may import more and are not fenced.
var may = []struct {
	folder  string
	imports []string
	why     string
}{
	{"record", nil, "record/ holds the words of the design and imports nothing of ours"},
	{"stats", nil, "stats/ is pure statistics on plain numbers and imports nothing of ours"},
	{"proto", nil, "proto/ is generated from the definitions and imports nothing of ours"},
	{"internal/text", nil, "internal/text makes words from outside fit to be shown and imports nothing of ours"},
	{"framelog", []string{"record", "framelog"}, "framelog/ reads logs and may import record"},
	{"metrics", []string{"record", "stats"}, "metrics/ turns frame times into figures and may import record and stats"},
	{"watcher", []string{"record"}, "watcher/ notices logs and may import record"},
	{"sysinfo/machinetest", []string{"record", "internal/testlab"}, "sysinfo/machinetest is for tests and may import record and internal/testlab"},
	{"sysinfo/tree", []string{"record"}, "sysinfo/tree reads files of Linux and may import record"},
	{"sysinfo/winsys", nil, "sysinfo/winsys calls Windows and imports nothing of ours"},
	{"sysinfo/registry", []string{"record", "sysinfo/winsys"}, "sysinfo/registry reads Windows' registry and may import record and what calls Windows"},
	{"sysinfo/nvml", []string{"record", "sysinfo/winsys"}, "sysinfo/nvml binds a library and may import record and how a machine is asked"},
	{"sysinfo/firmware", []string{"internal/text"}, "sysinfo/firmware takes bytes and may import internal/text"},
	{"sysinfo/process", []string{"record", "sysinfo/tree", "sysinfo/winsys"}, "sysinfo/process follows programs and may import record and what reads systems"},
	{"sysinfo", []string{"internal/text", "record", "sysinfo"}, "sysinfo/ reads the bench and may import record"},
	{"tag", []string{"internal/text", "record"}, "tag/ makes tags from facts and may import record"},
	{"plugins/host", []string{"config", "internal/efficiency", "internal/text", "record", "proto", "plugins"}, "plugins/host starts validators as the configuration says"},
	{"plugins/agreement", []string{"internal/text", "record", "internal/critical", "plugins"}, "plugins/agreement judges by the rule that analysis/ uses too"},
	{"plugins", []string{"internal/text", "record", "stats", "proto", "plugins"}, "plugins/ is the validator kit and may import record, stats and proto"},
	{"pipeline", []string{"record", "framelog", "metrics", "tag"}, "pipeline/ owns the order and is handed everything that touches the outside"},
	{"store", []string{"internal/text", "record", "metrics", "store"}, "store/ keeps passes, compares their figures with their frame times, and may import record and metrics"},
	{"notify", []string{"internal/text", "record", "notify"}, "notify/ tells people and may import record"},
	{"campaign/precision", []string{"record", "stats", "campaign"}, "campaign/precision works out sample sizes for the cells of a campaign"},
	{"campaign", []string{"internal/text", "record", "stats", "internal/tomlerror"}, "campaign/ plans and may import record, stats and what explains a file"},
	{"analysis/outlier", []string{"stats"}, "analysis/outlier searches a matrix of numbers and may import stats"},
	{"analysis/variance", []string{"record", "stats"}, "analysis/variance adds up variances and may import record and stats"},
	{"analysis", []string{"record", "stats", "analysis", "internal/critical"}, "analysis/ draws conclusions and may import record, stats and the rule of agreement"},
	{"report", []string{"internal/folder", "internal/text", "internal/tomlerror", "record", "stats", "analysis", "report"}, "report/ writes them down and may import record and analysis"},
	{"openmetrics", []string{"control", "record"}, "openmetrics/ counts what the agent tells, and may import control and record"},
	{"page/gather", []string{"openmetrics", "config", "control", "record", "store", "notify", "campaign", "internal/logbook", "report/chart", "analysis", "page/view"}, "page/gather asks the agent, its store and the campaign for what the page shows"},
	{"page/pairing", []string{"control", "internal/text"}, "page/pairing keeps who may see the page, and may import control's values"},
	{"page/view", []string{"control", "record"}, "page/view holds values, and may import control and record"},
	{"page", []string{"config", "openmetrics", "page/view", "page/pairing", "control", "internal/text", "record", "report/chart"}, "page/ serves values in the colours of the report, and may import control, record and report/chart"},
	{"control", []string{"record", "proto", "control"}, "control/ is the agent's service and may import record and proto"},
	{"config", []string{"internal/text", "internal/tomlerror"}, "config/ holds the settings as plain values and knows what may be shown"},
	{"internal/bigstore", []string{"record", "store"}, "internal/bigstore makes large stores to measure by"},
	{"internal/costs", []string{"control", "internal/cli", "internal/text"}, "internal/costs shows what a running agent says of its costs"},
	{"internal/autostart", []string{"control"}, "internal/autostart has the agent started with the session, and asks a running one to end"},
	{"internal/checkup", []string{"*"}, "internal/checkup looks at every part of a bench; the machine is handed in"},
	{"internal/manual", nil, "internal/manual writes pages from a command line and imports nothing of ours"},
	{"internal/cli", []string{"internal/manual", "internal/text"}, "internal/cli is what both commands say alike and imports only internal/manual and internal/text of ours"},
	{"internal/critical", []string{"record", "stats"}, "internal/critical is the rule of agreement and may import record and stats"},
	{"internal/judging", []string{"record", "config", "analysis", "store", "plugins", "internal/cli", "pipeline", "internal/critical"}, "internal/judging has a pass judged alike by both programs: expectations, history"},
	{"internal/logbook", []string{"record", "campaign", "store", "tag"}, "internal/logbook is where a campaign and the store meet"},
	{"internal/results", []string{"record", "analysis", "store", "internal/cli", "internal/output", "internal/text"}, "internal/results prints conclusions for people; report/ and its pictures stay out of it"},
	{"internal/selection", []string{"record", "analysis", "campaign", "store", "internal/cli", "internal/logbook", "internal/output", "internal/text"}, "internal/selection says which passes a command takes"},
	{"internal/steering", []string{"record", "campaign", "tag", "store", "control", "internal/judging", "internal/cli", "internal/logbook", "internal/output", "internal/text"}, "internal/steering says where a campaign stands and where to go, without settings"},
	{"internal/output", []string{"internal/cli", "internal/text"}, "internal/output writes results, and knows nothing of them"},
	{"internal/logbatch", []string{"framelog", "metrics", "record", "internal/cli", "internal/output", "internal/text"}, "internal/logbatch reads many logs at once and shows them, without a store"},
	{"internal/labtalk", []string{"config", "notify", "record", "store", "internal/cli", "internal/output", "internal/text"}, "internal/labtalk says what a lab knows of its benches"},
	{"internal/listing", []string{"record", "stats", "store", "notify", "control", "internal/results", "internal/cli", "internal/output", "internal/text"}, "internal/listing shows what a store holds, and what a running agent says of itself"},
	{"internal/rawsql", []string{"store", "internal/cli", "internal/output", "internal/text"}, "internal/rawsql writes the rows of a query of the user's"},
	{"internal/efficiency", nil, "internal/efficiency asks the system for less of a processor and imports nothing of ours"},
	{"internal/faults", nil, "internal/faults holds tests only"},
	{"internal/tomlerror", nil, "internal/tomlerror explains errors of the TOML reader and imports nothing of ours"},
	{"internal/folder", nil, "internal/folder writes into a folder of the user's and imports nothing of ours"},
	{"internal/fence", []string{"internal/testlab"}, "internal/fence is this test"},
	{"internal/labels", []string{"*"}, "internal/labels measures the validators"},
	{"internal/testlab", []string{"record", "internal/testlab"}, "internal/testlab holds what tests and the demo share"},
	{"disturbance", []string{"config", "control", "metrics", "record", "stats", "sysinfo", "internal/cli", "internal/output", "internal/text"}, "disturbance/ runs the agent as a user would, times frames and shows what it found"},
	{"agent", []string{"*"}, "agent/ is the running agent and wires its parts"},
	{"cmd", []string{"*"}, "cmd/ holds flags, settings and exit statuses"},
	{"release", nil, "release/ builds the programs and packs them; it imports nothing of ours"},
	{"demo", []string{"*"}, "demo/ runs the programs as a user would"},
}

func TestImportMap(t *testing.T) {
	eachPackage(t, func(name string, imports []string) { checkPackage(t, name, imports) })
}

// eachPackage visits the packages of the project with what they import.
func eachPackage(t *testing.T, visit func(name string, imports []string)) {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "./...")
	cmd.Dir = testlab.Root()
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	dec := json.NewDecoder(strings.NewReader(string(out)))
	seen := 0
	for {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := dec.Decode(&p); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		if name, ours := strings.CutPrefix(p.ImportPath, module); ours {
			seen++
			visit(name, p.Imports)
		}
	}
	if seen < 10 {
		t.Fatalf("only %d packages were looked at", seen)
	}
}

func checkPackage(t *testing.T, name string, imports []string) {
	for _, rule := range may {
		if !below(name, rule.folder) {
			continue
		}
		for _, imp := range imports {
			other, ours := strings.CutPrefix(imp, module)
			if !ours || slices.Contains(rule.imports, "*") {
				continue
			}
			if !slices.ContainsFunc(rule.imports, func(f string) bool { return below(other, f) }) {
				t.Errorf("%s imports %s: %s", name, other, rule.why)
			}
		}
		return
	}
	t.Errorf("%s is not on the map: add it here and to DEVELOPERS.md", name)
}

func below(name, folder string) bool {
	return name == folder || strings.HasPrefix(name, folder+"/")
}
