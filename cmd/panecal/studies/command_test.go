package studies

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
)

// Flags that contradict each other, say nothing or lie outside their range
// are usage errors (2), before any file is read.
func TestUsage(t *testing.T) {
	file := filepath.Join(t.TempDir(), "values.csv")
	if err := os.WriteFile(file, []byte("part,appraiser,value\n1,a,1\n1,a,2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{
		"nothing",
		"summary",
		"percentile FILE",
		"percentile FILE --p 95",
		"percentile FILE --p 0.5 --type 5",
		"capability FILE",
		"capability FILE --lower 2 --upper 1",
		"capability FILE --mean 1 --lower 0",
		"capability --mean 1 --lower 0",
		"gauge FILE --pool 2",
		"tolerance FILE --coverage 1",
		"tolerance FILE --method magic",
		"tolerance --mean 1 --sd 2",
		"ewma FILE --lambda 0",
		"ewma FILE --limits loose",
		"cusum FILE --target 0 --k 1",
		"risk --u 1 --mean 0 --sd 1",
		"risk --u 1 --mean 0 --sd 1 --upper NaN",
		"risk --u 1 --value 0 --upper 1 --mean 0",
		"risk --u 1 --upper 1 --prior gamma --shape 0 --rate 1",
		"proportion --count 5 --of 4",
		"proportion --count 0 --of 0",
		"sequential --p0 0.1 --p1 0.01 --alpha 0.05 --beta 0.1",
		"sequential --p0 0.1 --p1 0.2 --sd 1 --alpha 0.05 --beta 0.1",
	} {
		var out, talk bytes.Buffer
		args := append([]string{"study"}, strings.Fields(strings.ReplaceAll(line, "FILE", file))...)
		if code := runProgram(args, strings.NewReader(""), &out, &talk); code != cli.ExitUsage || out.Len() > 0 || talk.Len() == 0 {
			t.Errorf("study %s: exit code %d, said %q and %q", line, code, &out, &talk)
		}
	}
}

// TestExamples runs what the help shows, but for files that are not here.
func TestExamples(t *testing.T) {
	ran := 0
	for _, c := range New(nil, nil).Commands() {
		if c.Name() == "run" || c.Name() == "trials" {
			continue // they need a station; a script has one
		}
		for line := range strings.Lines(c.Example) {
			line = strings.TrimSpace(line)
			if strings.Contains(line, ".csv") {
				continue
			}
			var out, talk bytes.Buffer
			args := strings.Fields(line)
			if args[0] != "panecal" {
				t.Errorf("%s: the example %q is no command line", c.Name(), line)
				continue
			}
			if code := runProgram(args[1:], strings.NewReader(""), &out, &talk); code != cli.ExitDone {
				t.Errorf("%q: exit code %d: %s", line, code, &talk)
			}
			ran++
		}
	}
	if ran < 8 {
		t.Errorf("only %d examples were run", ran)
	}
}

// runProgram runs a program that has this sub-command only, and returns its
// exit code.
func runProgram(args []string, in io.Reader, out, talk io.Writer) int {
	root := &cobra.Command{Use: "panecal", SilenceUsage: true, SilenceErrors: true}
	root.SetFlagErrorFunc(cli.FlagError)
	root.AddCommand(New(nil, nil))
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(talk)
	if err := root.Execute(); err != nil {
		fmt.Fprintln(talk, err)
		return cli.ExitCode(err)
	}
	return cli.ExitDone
}
