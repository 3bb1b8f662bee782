package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/adrg/xdg"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// hostile moves the cursor, changes colours, rings, names the window, turns the
// reading direction, hides characters, and ends with a line that would pass for
// one of ours. It holds no byte that a file's name may not have.
const (
	forged  = "panecal: refused: forged: "
	hostile = "\x1b[2J\x1b]0;x\x07A\u009b31m\u202eB\u2066\u200b\u00ad\x7f\x9b\xff\u2028\ufeff\U000e0041\r" + forged + "\n" + forged + "\n"
)

// valid is what of it a unit or a record can hold.
var valid = strings.ToValidUTF8(hostile, "")

// seen fails the test where output would do something in a terminal, or holds a
// line that the program did not write.
func seen(t *testing.T, args []string, stream string, output []byte) {
	t.Helper()
	if !utf8.Valid(output) {
		t.Errorf("panecal %q: %s is no UTF-8: %q", args, stream, output)
	}
	for i, r := range string(output) {
		if r != '\n' && !unicode.IsPrint(r) {
			t.Errorf("panecal %q: %s has %U: %q", args, stream, r, output[max(0, i-60):min(len(output), i+20)])
			return
		}
	}
	for line := range strings.Lines(string(output)) {
		if strings.HasPrefix(line, forged) {
			t.Errorf("panecal %q: a line of %s is forged:\n%s", args, stream, output)
			return
		}
	}
}

// utter runs the program in this process and looks at every byte it says.
func utter(t *testing.T, args ...string) (code int, out []byte) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = run(args, strings.NewReader(hostile), &stdout, &stderr)
	seen(t, args, "stdout", stdout.Bytes())
	seen(t, args, "stderr", stderr.Bytes())
	if code == 70 {
		t.Errorf("panecal %q: internal error", args)
	}
	return code, stdout.Bytes()
}

// TestHostileText pushes text that steers a terminal through every command: as
// an argument, as each flag, as a file, as a log, and as what a unit answers.
func TestHostileText(t *testing.T) {
	folder := t.TempDir()
	t.Chdir(folder)
	t.Cleanup(xdg.Reload) // when the environment is as before
	for _, name := range []string{"TMPDIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME"} {
		t.Setenv(name, filepath.Join(folder, "home"))
	}
	if err := os.Mkdir("home", 0o700); err != nil {
		t.Fatal(err)
	}
	xdg.Reload()
	if code, _ := utter(t, "--data", "d", "init"); code != 0 {
		t.Fatalf("init: exit code %d", code)
	}
	speak(t, filepath.Join("d", "store"))

	file := filepath.Join(folder, "bad")
	if err := os.WriteFile(file, []byte(hostile+"\n\""+hostile+"\" = \""+hostile+"\"\n"), 0o640); err != nil {
		t.Fatal(err)
	}
	keyed, err := json.Marshal(map[string]any{"schema": valid, valid: valid, "kind": valid})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile("bad.json", keyed, 0o640); err != nil {
		t.Fatal(err)
	}

	tried := 0
	try := func(path []string, more ...string) {
		tried++
		utter(t, append(append([]string{"--data", "d"}, path...), more...)...)
	}
	// What runs until it is stopped gets only what ends it at once.
	endless := map[string]bool{"sim": true, "shift": true, "demo": true, "forward": true}
	var walk func(c *cobra.Command, path []string)
	walk = func(c *cobra.Command, path []string) {
		for _, sub := range c.Commands() {
			walk(sub, append(path[:len(path):len(path)], sub.Name()))
		}
		if len(path) > 0 && path[0] == "completion" {
			return // a program for another interpreter
		}
		try(path, hostile)
		try(path, "--"+hostile)
		if c.RunE == nil {
			return
		}
		for _, name := range []string{file, "bad.json"} {
			try(path, name)
		}
		try(path, hostile, hostile)
		if c.Flags().Lookup("json") != nil {
			try(path, valid, "--json")
		}
		c.Flags().VisitAll(func(f *pflag.Flag) {
			if endless[c.Name()] && f.Value.Type() == "string" {
				return
			}
			try(path, "--"+f.Name+"="+hostile)
			try(path, hostile, "--"+f.Name+"="+hostile)
		})
		utter(t, append([]string{"__complete"}, append(path, hostile)...)...)
	}
	walk(newRoot(&place{}), nil)
	if tried < 300 {
		t.Errorf("only %d tries", tried)
	}

	// Commands that read the log find the text there.
	for _, args := range [][]string{
		{"unit", valid}, {"unit", valid, "--json"}, {"export", "--format", "csv", "--out", "-"}, {"export", "--format", "jsonl", "--out", "-"},
		{"doctor"}, {"doctor", "--json"}, {"log", "check"}, {"log", "check", "--json"},
	} {
		code, out := utter(t, append([]string{"--data", "d"}, args...)...)
		if name := args[0]; name != "doctor" && name != "log" && (code != 0 || !strings.Contains(string(out), "31m")) {
			t.Errorf("panecal %q: exit code %d, and nothing of the text:\n%s", args, code, out)
		}
	}
	if _, out := utter(t, "--data", "d", "unit", valid, "--json"); !bytes.Contains(out, []byte(`\u202e`)) || !json.Valid(out) {
		t.Errorf("JSON does not say what the record holds:\n%s", out)
	}

	// A unit says it too.
	m := simunit.Hopper1()
	const short = "\x1b[31m\u202e\u009b2J\n" + "panecal: ref" // 32 bytes at most
	m.Product, m.Firmware = short, short
	u, err := simunit.New(m, 1, simunit.Options{Serial: short})
	if err != nil {
		t.Fatal(err)
	}
	port, err := simunit.ServePTY(t.Context(), u)
	if err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"run", "--port", port, "--label", "H1-00003-A", "--hands-time", "100ms"}, {"run", "--port", port, "--label", hostile},
		{"conform", port, "--clause", "4.6.1"},
		{"reread", "--port", port}, {"reread", "--port", port, "--json"}, {"bins", port},
	} {
		code, out := utter(t, append([]string{"--data", "d"}, args...)...)
		if code == 2 || args[0] != "run" && args[0] != "bins" && !strings.Contains(string(out), "31m") {
			t.Errorf("panecal %q: exit code %d, and nothing of the text:\n%s", args, code, out)
		}
	}
}

// speak fills a log with records whose every text is hostile.
func speak(t *testing.T, folder string) {
	t.Helper()
	s, err := store.Open(folder, store.Options{Memory: memoryFolder()})
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	for _, b := range []record.Body{
		&record.Attempt{Run: record.Run{Purpose: record.Production, AttemptNo: 1}, Outcome: record.Failed, Problems: make([]record.Problem, 1), Started: now, Finished: now,
			Judgement: record.Judgement{Disposition: record.Hold}, Stages: make([]record.Stage, 1), Faults: make([]record.Fault, 1)},
		&record.Note{}, &record.Refusal{Purpose: record.Production}, &record.ReworkDone{}, &record.SignOn{}, &record.ShiftSettings{Purpose: record.Production},
		&record.Stop{}, &record.AccessRefused{},
	} {
		say(reflect.ValueOf(b).Elem())
		if _, err := s.Append(b); err != nil {
			t.Fatalf("%T: %v", b, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// say sets every text in v.
func say(v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		if v.Type() == reflect.TypeFor[string]() {
			v.SetString(valid)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() && v.Type() != reflect.TypeFor[record.Ref]() {
				say(v.Field(i))
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			say(v.Index(i))
		}
	}
}
