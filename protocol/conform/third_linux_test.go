package conform_test

import (
	"bufio"
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"testing"

	"example.org/panecal/protocol/conform"
	"example.org/panecal/protocol/link"
)

// TestThirdUnit tries the unit that somebody wrote from SPEC.md alone, in
// another language: PANECAL_CONFORM=full all clauses on all its variants, else
// those that say most about how a clause is read.
func TestThirdUnit(t *testing.T) {
	t.Parallel()
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("skipped: no python3 on this machine, so the third unit was not tried")
	}
	variants, only := []string{"--one-zone"}, []string{"4.4.4", "5.3.7", "5.6.3"}
	if os.Getenv("PANECAL_CONFORM") == "full" {
		variants, only = []string{"", "--console", "--no-histograms", "--one-zone"}, nil
	}
	var all []*conform.Report
	for _, variant := range variants {
		report, err := tryThird(t, python, variant, only)
		if err != nil {
			t.Fatalf("%s: %v", variant, err)
		}
		all = append(all, report)
	}
	if whole := conform.Merge(all...); !whole.OK() || whole.Passed < 20 || only == nil && whole.Untried > 0 {
		whole.WriteText(os.Stdout)
		t.Errorf("%d clauses passed, %d failed, %d were not tried", whole.Passed, whole.Failed, whole.Untried)
	}
}

func tryThird(t *testing.T, python, variant string, only []string) (*conform.Report, error) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	unit := exec.CommandContext(ctx, python, "../../testdata/wire/third_unit.py", variant)
	in, err := unit.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := unit.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := unit.Start(); err != nil {
		return nil, err
	}
	defer func() {
		cancel()
		_ = unit.Wait() // killed
	}()
	lines := bufio.NewReader(out)
	first, err := lines.ReadString('\n')
	if err != nil {
		return nil, err
	}
	var said struct{ Port, Open, Close string }
	if err := json.Unmarshal([]byte(first), &said); err != nil {
		return nil, err
	}
	l, err := link.Open(ctx, said.Port, link.Options{Baud: 921600})
	if err != nil {
		return nil, err
	}
	defer l.Close()
	return conform.Run(ctx, conform.Options{Port: l, OpenText: said.Open, CloseText: said.Close,
		Bench: conform.NewTextBench(lines, in), Seed: 1, Only: only, Busy: conform.Busy})
}
