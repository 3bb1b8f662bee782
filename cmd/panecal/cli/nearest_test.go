package cli_test

import (
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
)

func TestNearest(t *testing.T) {
	known := []string{"leakage.max", "leakage.total", "offset.mean", "run"}
	for word, want := range map[string]string{
		"leakge.max": "leakage.max", "LEAKAGE.MAX": "leakage.max", "offset.maen": "offset.mean", "rnu": "run", "leakage.mux": "leakage.max",
		"temperature": "", "": "", "x": "", "übergang": "",
	} {
		if got := cli.Nearest(word, known); got != want {
			t.Errorf("%q: %q, want %q", word, got, want)
		}
	}
	// Deletion, insertion, exchange and another letter are a slip each; the
	// distances of kitten and sitting, and of ca and ac, are the usual examples.
	if got := cli.Nearest("kitten", []string{"sitting"}); got != "sitting" {
		t.Errorf("kitten: %q", got)
	}
	if err := cli.Unknown("quantity", "leakge.max", known); cli.ExitCode(err) != cli.ExitUsage || !strings.Contains(err.Error(), "did you mean leakage.max?") {
		t.Error(err)
	}
	if err := cli.Unknown("quantity", "what", known); strings.Contains(err.Error(), "did you") || !strings.Contains(err.Error(), "offset.mean run") {
		t.Error(err)
	}
}

// What is wrong with arguments is said with the argument's name, and a command
// that was mistyped with the one that was meant.
func TestArgs(t *testing.T) {
	root := &cobra.Command{Use: "panecal", Args: cli.Args(cobra.NoArgs), SilenceErrors: true, SilenceUsage: true, RunE: func(*cobra.Command, []string) error { return nil }}
	root.AddCommand(&cobra.Command{Use: "export SERIAL", Args: cli.Args(cobra.ExactArgs(1)), RunE: func(*cobra.Command, []string) error { return nil }})
	for args, want := range map[string]string{
		"exprot":     `unknown command "exprot" for "panecal"; did you mean export?`,
		"xyz":        `unknown command "xyz" for "panecal"; see panecal --help`,
		"export":     "usage: panecal export SERIAL",
		"export A B": "usage: panecal export SERIAL",
	} {
		root.SetArgs(strings.Fields(args))
		if err := root.Execute(); err == nil || cli.ExitCode(err) != cli.ExitUsage || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", args, err)
		}
	}
}
