package desk_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/store"
)

// export runs the command on a copy of the committed store.
func export(t *testing.T, ctx context.Context, args ...string) (out, talk string, err error) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "first")
	if err := os.CopyFS(dir, os.DirFS("../../../testdata/first-store/store")); err != nil {
		t.Fatal(err)
	}
	c := desk.NewExport(func() (desk.Log, error) { return store.Follow(dir, t.TempDir()) })
	c.SilenceErrors, c.SilenceUsage = true, true
	c.SetFlagErrorFunc(cli.FlagError)
	var o, e bytes.Buffer
	c.SetOut(&o)
	c.SetErr(&e)
	c.SetArgs(args)
	err = c.ExecuteContext(ctx)
	return o.String(), e.String(), err
}

// TestChoice: each flag alone, and some together. The numbers are those of the
// records; the store has attempts 10 11 12 19 20 21 24 26 30.
func TestChoice(t *testing.T) {
	for _, c := range []struct{ flags, want string }{
		{"", "10 11 12 19 20 21 24 26 30"},
		{"--since 2026-11-27T13:21:57.870520265Z", "21 24 26 30"},
		{"--until 2026-11-27T13:21:57.870520265Z", "10 11 12 19 20"},
		{"--since 2026-11-27T14:21:52.1+01:00 --until 2026-11-27T13:21:57.65Z", "12 19"},
		{"--since 2026-11-29", ""},
		{"--until 2026-11-25", ""},
		{"--product hopper-1", "21"},
		{"--order WO-3", "26"},
		{"--nest B", "11 19"},
		{"--station demo-1", "10 11 12 19 20 21 24 26 30"},
		{"--station S2", ""},
		{"--operator 4711", "26 30"},
		{"--purpose production", "10 11 12 19 20 21 24 26 30"},
		{"--purpose audit", ""},
		{"--outcome failed", "10 11 19"},
		{"--outcome error", "26 30"},
		{"--bin 11", "10"},
		{"--bin passed", "12 20 21 24"},
		{"--lot no-such-lot", ""},
		{"--on-hold", "12 19 24 26 30"},
		{"--attempts first", "10 11 12 19 20 21"},
		{"--attempts all", "10 11 12 19 20 21 24 26 30"},
		{"--on-hold --attempts first --nest A", "12"},
	} {
		out, talk, err := export(t, t.Context(), strings.Fields("--format jsonl --out - "+c.flags)...)
		var got []string
		for _, m := range regexp.MustCompile(`"sequence":(\d+)`).FindAllStringSubmatch(out, -1) {
			got = append(got, m[1])
		}
		if strings.Join(got, " ") != c.want || talk != "" || err != nil {
			t.Errorf("%s: %v, want %s; %s %v", c.flags, got, c.want, talk, err)
		}
	}
}

// A value that cannot be meant is an error of usage that names the flag, and
// no file is made.
func TestBadChoice(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.csv")
	for _, c := range []struct{ flags, want string }{
		{"--since yesterday", "--since"},
		{"--until 2026-13-01", "--until"},
		{"--since 2026-11-02 --until 2026-11-02", "--until"},
		{"--purpose prodution", "--purpose"},
		{"--outcome pass", "--outcome"},
		{"--attempts 2", "--attempts"},
		{"--attempts=", "--attempts"},
		{"--lot=", "--lot"},
		{"--on-hold=perhaps", "--on-hold"},
		{"--format xlsx", "--format"},
		{"--format=", "--format"},
		{"--units -", "--units"},
		{"--units " + path, "--units"},
		{"--out=", "--out"},
		{"--colour red", "--colour"},
	} {
		_, _, err := export(t, t.Context(), append([]string{"--format", "csv", "--out", path}, strings.Fields(c.flags)...)...)
		if err == nil || cli.ExitCode(err) != cli.ExitUsage || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.flags, err)
		}
	}
	if list, err := os.ReadDir(filepath.Dir(path)); err != nil || len(list) > 0 {
		t.Errorf("%v, %v", list, err)
	}
}

// The table and its units get their names when they are whole.
func TestFiles(t *testing.T) {
	dir := t.TempDir()
	names := func() string {
		list, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		var all []string
		for _, e := range list {
			all = append(all, e.Name())
		}
		return strings.Join(all, " ")
	}
	ended, end := context.WithCancel(t.Context())
	end()
	if _, _, err := export(t, ended, "--format", "csv", "--out", filepath.Join(dir, "a.csv")); err == nil || names() != "" {
		t.Errorf("ended by a person: %v, %s", err, names())
	}
	if _, _, err := export(t, t.Context(), "--format", "csv", "--out", filepath.Join(dir, "a.csv")); err != nil || names() != "a.csv a.units.csv" {
		t.Errorf("%v, %s", err, names())
	}
	if out, _, err := export(t, t.Context(), "--format", "jsonl", "--out", "-", "--units", filepath.Join(dir, "u.csv")); err != nil || names() != "a.csv a.units.csv u.csv" || strings.Count(out, "\n") != 9 {
		t.Errorf("%v, %s", err, names())
	}
	for _, name := range []string{"a.units.csv", "u.csv"} {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil || !strings.HasPrefix(string(text), "column,unit\nleakage.max,{count}/{shot}\n") {
			t.Errorf("%s: %v, %.40s", name, err, text)
		}
	}
}

// The shell is offered the values of a flag.
func TestCompletion(t *testing.T) {
	for flag, want := range map[string]string{"format": "csv jsonl parquet", "outcome": "passed failed error aborted", "attempts": "first all", "lot": ""} {
		c := desk.NewExport(nil)
		complete, ok := c.GetFlagCompletionFunc(flag)
		if !ok {
			t.Errorf("--%s has no completion", flag)
			continue
		}
		if list, _ := complete(c, nil, ""); strings.Trim(fmt.Sprint(list), "[]") != want {
			t.Errorf("--%s: %v, want %s", flag, list, want)
		}
	}
}
