package station_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"example.org/panecal/station"
)

// constants reads the names and values of all codes from the source, so that
// none can be forgotten in the table.
func constants(t *testing.T) map[string]station.Code {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), "codes.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]station.Code{}
	ast.Inspect(f, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok || len(v.Values) != 1 {
			return true
		}
		if kind, ok := v.Type.(*ast.Ident); !ok || kind.Name != "Code" {
			return true
		}
		text, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
		if err != nil {
			t.Fatal(err)
		}
		found[v.Names[0].Name] = station.Code(text)
		return true
	})
	return found
}

func TestCodesComplete(t *testing.T) {
	names := constants(t)
	if len(names) < 60 {
		t.Fatalf("only %d codes found in the source", len(names))
	}
	meanings := map[station.Code]station.Meaning{}
	for _, m := range station.Codes() {
		if _, twice := meanings[m.Code]; twice {
			t.Errorf("%s is in the table twice", m.Code)
		}
		meanings[m.Code] = m
	}
	said := map[string]bool{}
	for _, word := range strings.FieldsFunc(machineSource(t), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }) {
		said[word] = true
	}
	for name, code := range names {
		if _, ok := meanings[code]; !ok {
			t.Errorf("%s (%s) is not in the table", name, code)
		}
		if !said[name] {
			t.Errorf("nothing says %s", name)
		}
	}
	if len(meanings) != len(names) {
		t.Errorf("%d rows, %d codes", len(meanings), len(names))
	}
	t.Logf("%d codes", len(names))
}

func machineSource(t *testing.T) string {
	t.Helper()
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	for _, f := range files {
		if f == "codes.go" || f == "meanings.go" || strings.HasSuffix(f, "_test.go") {
			continue
		}
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(data)
	}
	return all.String()
}

func TestCodesSpeakPlainly(t *testing.T) {
	placeholder := regexp.MustCompile(`\{([a-z]+)\}`)
	args := station.Args{Nest: "nest-1", Label: "H54-00001-C", Bin: "3", Other: station.Verbatim("nest-2"), Detail: station.Verbatim("leakage.max")}
	for _, m := range station.Codes() {
		for _, text := range []string{m.Sentence, m.Action} {
			for _, p := range placeholder.FindAllStringSubmatch(text, -1) {
				if !strings.Contains("nest label bin other detail", p[1]) {
					t.Errorf("%s: unknown placeholder %s", m.Code, p[0])
				}
			}
			if strings.Contains(text, "!") {
				t.Errorf("%s shouts: %q", m.Code, text)
			}
		}
		if m.Sentence == "" || !strings.HasSuffix(m.Sentence, ".") {
			t.Errorf("%s: sentence %q", m.Code, m.Sentence)
		}
		if m.Class != station.Guide && m.Action == "" {
			t.Errorf("%s names no action", m.Code)
		}
		if said := m.Code.Say(args) + m.Code.Do(args); strings.Contains(said, "{") {
			t.Errorf("%s: not filled: %q", m.Code, said)
		}
		// Two short lines of block letters at 120 columns.
		if m.Class == station.Guide && utf8.RuneCountInString(m.Code.Say(args)) > 44 {
			t.Errorf("%s is too long to be read at two metres: %q", m.Code, m.Code.Say(args))
		}
		if m.Class == station.NotRunning && m.Lift == station.LiftNobody {
			t.Errorf("%s: nobody may lift it", m.Code)
		}
	}
	if got := station.Code("from_the_future").Say(station.Args{}); !strings.Contains(got, "from_the_future") {
		t.Errorf("an unknown code says %q", got)
	}
}
