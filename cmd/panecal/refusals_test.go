package main

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/adrg/xdg"
	"github.com/spf13/cobra"

	"example.org/panecal/store"
)

// withoutStore are the words with which each command that needs a store or a
// configuration gets as far as to miss it.
var withoutStore = map[string]string{
	"unit": "X1", "find": "X1", "capture": "X1 --out c.json", "reestimate": "X1", "dossier": "X1 --out d.html", "cause": "X1", "compare": "X1",
	"picture": "X1", "constants": "X1", "export": "--format csv --out -", "checks": "", "capability": "offset.mean", "charts": "offset.mean",
	"holds": "", "limits show": "0123456789abcdef", "desk": "", "reread": "--port nowhere", "log check": "", "log rebuild": "--into out",
	"log backup": "copy", "log prove": "X1 --out p", "study run": "gauge --part A --part B", "study trials": "gauge", "shift": "",
	"run": "--port p --label H54-00001-O", "roster check": "", "roster revoke": "P", "roster pin": "P", "init": "--continues nothing",
}

// unneeded are commands that need neither: they read files that are named, speak
// to a device, or ask a person. Some refuse for other reasons, by cli.RefusedError.
var unneeded = []string{"bins", "conform", "demo", "doctor", "estimate", "forward", "handover", "hold", "key new", "key renew", "key show",
	"limits check", "limits diff", "limits draft", "limits propose requirement", "limits propose screening", "limits propose window",
	"limits release", "limits review", "limits try", "log verify", "note", "release", "replay", "reworked", "roster add", "scan", "scrap",
	"sim", "unhold", "version"}

// TestRefusals: what the program will not do is exit code 4, and stderr begins with
// a code that scripts can tell apart, in every command.
func TestRefusals(t *testing.T) {
	folder := t.TempDir()
	source, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(folder)
	t.Cleanup(xdg.Reload)
	for _, name := range []string{"TMPDIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME"} {
		t.Setenv(name, filepath.Join(folder, "home"))
	}
	if err := os.Mkdir("home", 0o700); err != nil {
		t.Fatal(err)
	}
	xdg.Reload()
	begins := regexp.MustCompile(`^panecal: refused: ([a-z][a-z_]*): \S`)
	refuses := func(want string, args ...string) {
		t.Helper()
		var stdout, stderr bytes.Buffer
		code := run(args, strings.NewReader(""), &stdout, &stderr)
		m := begins.FindStringSubmatch(stderr.String())
		if want == "any" { // it may end otherwise
			if code == 4 && m == nil {
				t.Errorf("panecal %s: exit code 4, and stderr begins %.100q", strings.Join(args, " "), stderr.String())
			}
			return
		}
		if code != 4 || m == nil || want != "" && m[1] != want {
			t.Errorf("panecal %s: exit code %d, want 4, and stderr begins %.100q, want code %q", strings.Join(args, " "), code, stderr.String(), want)
		}
	}
	n := 0
	var walk func(c *cobra.Command, path string)
	walk = func(c *cobra.Command, path string) {
		for _, sub := range c.Commands() {
			walk(sub, strings.TrimSpace(path+" "+sub.Name()))
		}
		args, known := withoutStore[path]
		switch first, _, _ := strings.Cut(path, " "); {
		case known:
			n++
			refuses("", append(append([]string{"--data", "nothing" + strconv.Itoa(n)}, strings.Fields(path)...), strings.Fields(args)...)...)
		case path == "" || c.RunE == nil || c.HasAvailableSubCommands() || slices.Contains(unneeded, path) || slices.Contains([]string{"completion", "help", "central", "study"}, first):
		default:
			refuses("any", append([]string{"--data", "none"}, strings.Fields(path)...)...)
		}
	}
	walk(newRoot(&place{}), "")
	if n != len(withoutStore) {
		t.Errorf("%d of %d commands were found", n, len(withoutStore))
	}

	var said bytes.Buffer
	if code := run([]string{"--data", "d", "init"}, nil, &said, &said); code != 0 {
		t.Fatal(code, said.String())
	}
	s, err := store.Open(filepath.Join("d", "store"), store.Options{Command: "the other one"})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	refuses("set_up_already", "--data", "d", "init")
	refuses("folder_not_empty", "--data", "d", "log", "backup", "d")
	refuses("store_held", "--data", "d", "run", "--port", "p", "--label", "H54-00001-O")
	refuses("unknown_revision", "--data", "d", "run", "--port", "p", "--label", "H54-00001-O", "--revision", "0123456789")

	// Nothing ends with that code but by the error that has one.
	alone := map[string]int{}
	if err := filepath.WalkDir(source, func(path string, e fs.DirEntry, err error) error {
		if err != nil || filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		if bytes.Contains(text, []byte(`RefusedError("",`)) {
			t.Errorf("%s: a refusal without a code", path)
		}
		if k := bytes.Count(text, []byte("cli.ExitRefused")); k > 0 {
			alone[filepath.Base(path)] = k
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	// run says the refusals of its units as they come; doctor and forward look at the
	// code of an error.
	if len(alone) != 3 || alone["run.go"] != 2 || alone["doctor.go"] != 1 || alone["forward.go"] != 1 {
		t.Errorf("exit code 4 is given elsewhere than by cli.RefusedError: %v", alone)
	}
}
