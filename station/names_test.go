package station_test

import (
	"fmt"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"go/types"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode"

	"example.org/panecal/limits"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// named is a constant of the program and the name it goes by.
type named struct{ constant, name string }

// words are the names of types whose constants are called what they are named:
// EmptyCapture is "empty capture".
func words() map[string][]named {
	return map[string][]named{
		"Step":    names(".", "Step", func(i int64) string { return station.Step(i).String() }),
		"Trouble": names(".", "Trouble", func(i int64) string { return station.Trouble(i).String() }),
		"kind":    names(".", "kind", nil),
	}
}

// onRecord lists the names that records hold, or that a reader is shown for a
// number in them.
func onRecord() map[string][]named {
	const protocolFolder, recordFolder = "../protocol", "../store/record"
	return map[string][]named{
		"step":         words()["Step"],
		"code":         names(".", "Code", nil),
		"lift":         names(".", "Lift", nil),
		"purpose":      names(recordFolder, "Purpose", nil),
		"outcome":      names(recordFolder, "Outcome", nil),
		"disposition":  names(recordFolder, "Disposition", nil),
		"kind":         names(recordFolder, "Kind", func(i int64) string { return fmt.Sprintf("%d %v", i, record.Kind(i)) }),
		"capture kind": names(protocolFolder, "CaptureKind", func(i int64) string { return protocol.CaptureKind(i).String() }),
		"capture end":  names(protocolFolder, "EndReason", func(i int64) string { return protocol.EndReason(i).String() }),
		"pile-up":      names(protocolFolder, "PileUp", func(i int64) string { return protocol.PileUp(i).String() }),
		"block state":  names(protocolFolder, "State", func(i int64) string { return protocol.State(i).String() }),
		"fault":        names("estimate", "FaultCode", nil),
		"access":       names("shift", "Access", nil),
		"zone flag":    names("estimate", "Flags", func(i int64) string { return strings.Join(estimate.Flags(i).Names(), " ") }),
		"label tie":    texts("product", "Tie"),
		"budget line":  texts("estimate", "Line"),
		"own bin": {{"Passed", limits.Passed}, {"NotMeasured", limits.NotMeasured}, {"NoAnswer", limits.NoAnswer},
			{"Verify", limits.Verify}, {"Label", limits.Label}, {"Capture", limits.Capture}, {"Aborted", limits.Aborted}},
	}
}

// TestNamesAreTheConstants: a step, kind or trouble is called what its
// constant is called, so that a name cannot slip to its neighbour. A golden
// file cannot say so: it takes whatever is written.
func TestNamesAreTheConstants(t *testing.T) {
	for typ, list := range words() {
		if len(list) < 5 {
			t.Errorf("only %d constants of type %s found", len(list), typ)
		}
		for _, wrong := range misnamed(list) {
			t.Errorf("%s %s", typ, wrong)
		}
	}
}

// TestSlipIsCaught inserts a step without its name in the middle, as a table
// without keys would take it: every step from there on bears its neighbour's
// name.
func TestSlipIsCaught(t *testing.T) {
	list := words()["Step"]
	at := slices.IndexFunc(list, func(n named) bool { return n.constant == "Emptying" })
	slipped := slices.Insert(slices.Clone(list), at, named{"Warming", ""})
	for i := at; i < len(slipped)-1; i++ {
		slipped[i].name = slipped[i+1].name
	}
	slipped[len(slipped)-1].name = ""
	if got, want := len(misnamed(slipped)), len(slipped)-at; got < want {
		t.Errorf("%d of %d wrong names are caught", got, want)
	}
}

// misnamed says which constants are not called what they are named.
func misnamed(list []named) (wrong []string) {
	for _, n := range list {
		want := inWords(n.constant)
		switch {
		case n.name == "":
			wrong = append(wrong, fmt.Sprintf("%s has no name: give it %q in its table", n.constant, want))
		case n.name != want:
			wrong = append(wrong, fmt.Sprintf("%s is called %q, not %q: names stand beside what they name", n.constant, n.name, want))
		}
	}
	return wrong
}

// inWords turns EmptyCapture into "empty capture"; the k of kDone only tells it
// from the fact.
func inWords(identifier string) string {
	if r := []rune(identifier); r[0] == 'k' && unicode.IsUpper(r[1]) {
		identifier = identifier[1:]
	}
	var b strings.Builder
	for i, r := range identifier {
		if unicode.IsUpper(r) && i > 0 {
			b.WriteByte(' ')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}

// TestNamesOnRecord holds the names against testdata/names.txt, which only
// grows: whoever reads an old record must find the name that it holds. Nothing
// rewrites the file.
func TestNamesOnRecord(t *testing.T) {
	left := pinned(t)
	for group, list := range onRecord() {
		if len(list) == 0 {
			t.Errorf("no %s found in the source", group)
		}
		for _, n := range list {
			line := group + ": " + n.name
			if n.name == "" {
				continue // Lift's "nobody" stands for nothing; steps have a test of their own
			}
			if !left[line] {
				t.Errorf("%s has a name that is not in %s. If it is new, add the line %q there; if it takes the place of "+
					"another, records hold the old one: bring that back", n.constant, namesFile, line)
			}
			delete(left, line)
		}
	}
	for line := range left {
		switch name, retired := strings.CutPrefix(line, "retired "); {
		case retired && !left[name]:
			t.Errorf("%q is retired and used, or was never there", name)
		case !retired && !left["retired "+line] && !strings.HasPrefix(line, "capture: "): // the machine makes those; scenarios hold them
			t.Errorf("%q has gone. Records may hold that name for ever: bring it back. "+
				"If no record can hold it, let its line stand and add %q", line, "retired "+line)
		}
	}
}

const namesFile = "testdata/names.txt"

func pinned(t *testing.T) map[string]bool {
	t.Helper()
	data, err := os.ReadFile(namesFile)
	if err != nil {
		t.Fatal(err)
	}
	list := map[string]bool{}
	for line := range strings.Lines(string(data)) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		if list[line] {
			t.Errorf("%s has %q twice", namesFile, line)
		}
		list[line] = true
	}
	return list
}

// TestRecordsHoldPinnedNames looks at what the scenarios put on record: every
// name in it is in the list, whoever made it.
func TestRecordsHoldPinnedNames(t *testing.T) {
	known, held := pinned(t), map[string]bool{}
	hold := func(group, name string) {
		line := group + ": " + name
		if !held[line] && !known[line] {
			t.Errorf("a record holds %q, which is not in %s", line, namesFile)
		}
		held[line] = true
	}
	for _, s := range scenarios() {
		w := s.begin(t, func(*world) {})
		for _, e := range w.log {
			switch b := e.Body.(type) {
			case *record.Attempt:
				for _, x := range b.Stages {
					hold("step", x.Name)
				}
				for _, x := range b.Problems {
					hold("code", x.Code)
					hold("step", x.Step)
				}
				for _, x := range b.Captures {
					hold("capture", x.Name)
				}
				for _, x := range b.Faults {
					hold("fault", x.Code)
					hold("capture", x.Capture)
				}
				hold("label tie", b.Run.LabelTie)
			case *record.Refusal:
				hold("code", b.Code)
			case *record.DispositionChange:
				hold("code", b.Code)
			case *record.Stop:
				hold("code", b.Code)
				hold("lift", b.LiftBy)
			}
		}
	}
	for line := range known {
		if strings.HasPrefix(line, "capture: ") && !held[line] {
			t.Errorf("no record holds %q any more: bring it back", line)
		}
	}
}

// names finds the constants of a type in a folder's source, so that none can
// be forgotten, and their names; name is nil where they are strings.
func names(folder, typ string, name func(int64) string) (list []named) {
	for _, c := range constantsIn(folder) {
		t, ok := c.Type().(*types.Named)
		if !ok || t.Obj().Name() != typ {
			continue
		}
		n := named{constant: c.Name()}
		if i, exact := constant.Int64Val(constant.ToInt(c.Val())); name != nil && exact {
			n.name = name(i)
		} else {
			n.name = constant.StringVal(c.Val())
		}
		if c.Name() != "steps" { // their number
			list = append(list, n)
		}
	}
	return list
}

// texts finds the texts without a type of their own whose constants begin alike.
func texts(folder, prefix string) (list []named) {
	for _, c := range constantsIn(folder) {
		if c.Val().Kind() == constant.String && strings.HasPrefix(c.Name(), prefix) {
			list = append(list, named{c.Name(), constant.StringVal(c.Val())})
		}
	}
	return list
}

// constantsIn evaluates the constants of a folder's package. What it imports is
// not looked at, and what cannot be checked without that is no constant.
func constantsIn(folder string) (list []*types.Const) {
	files, err := filepath.Glob(filepath.Join(folder, "*.go"))
	if err != nil {
		panic(err)
	}
	set := token.NewFileSet()
	var parsed []*ast.File
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		p, err := parser.ParseFile(set, f, nil, 0)
		if err != nil {
			panic(err)
		}
		parsed = append(parsed, p)
	}
	checker := types.Config{Error: func(error) {}, Importer: nothing{}}
	pkg, _ := checker.Check(folder, set, parsed, nil)
	for _, name := range pkg.Scope().Names() {
		if c, ok := pkg.Scope().Lookup(name).(*types.Const); ok && c.Val().Kind() != constant.Unknown {
			list = append(list, c)
		}
	}
	slices.SortFunc(list, func(a, b *types.Const) int { return int(a.Pos() - b.Pos()) })
	return list
}

// nothing is an importer that finds nothing.
type nothing struct{}

func (nothing) Import(path string) (*types.Package, error) {
	return nil, fmt.Errorf("%s is not looked at", path)
}
