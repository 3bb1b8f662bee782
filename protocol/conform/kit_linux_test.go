package conform_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"testing"

	"example.org/panecal/protocol/conform"
	"example.org/panecal/protocol/firmware"
	"example.org/panecal/protocol/link"
	"example.org/panecal/testdata/figures"
)

// kitBench is the bench of a unit program's host.
type kitBench struct{ h *firmware.Host }

func (b kitBench) do(format string, args ...any) error {
	_, err := b.h.Do(fmt.Sprintf(format, args...))
	return err
}

func (b kitBench) Power(on bool) error {
	if on {
		return b.do("on")
	}
	return b.do("off")
}

func (b kitBench) CutAt(n int) (bool, error) {
	value, err := b.h.Do("cut " + strconv.Itoa(n))
	return value == "1", err
}
func (b kitBench) Fault(bits uint32) error { return b.do("fault %d", bits) }
func (b kitBench) Damage() error           { return b.do("damage") }
func (b kitBench) Light() (bool, error)    { return b.h.EmitterOn() }

// tryKit runs against a compiled unit on its pseudo-terminal.
func tryKit(ctx context.Context, program string, settings []string, only ...string) (_ *conform.Report, err error) {
	h, err := firmware.Start(ctx, program, firmware.Options{Settings: settings})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, h.Close()) }()
	l, err := link.Open(ctx, h.Path(), link.Options{Baud: 921600})
	if err != nil {
		return nil, err
	}
	defer l.Close()
	open, closing := h.Console()
	return conform.Run(ctx, conform.Options{Port: l, OpenText: open, CloseText: closing, Bench: kitBench{h}, Seed: 1, Only: only, Busy: conform.Busy})
}

// TestKitDefects compiles each of the kit's defects into its unit: the clause
// that names it catches it, and does not blame the sound unit. All of them
// take a quarter of an hour: PANECAL_CONFORM=full; otherwise a few do.
func TestKitDefects(t *testing.T) {
	all, err := firmware.Defects()
	if err != nil {
		t.Fatal(err)
	}
	full := os.Getenv("PANECAL_CONFORM") == "full"
	few := []string{"unknown-request-bad"}
	variants := [][]string{
		{"rows=2", "columns=3", "count_bits=16", "open=~open~", "close=~close~", "banner=ready>"},
		{"rows=2", "columns=3", "count_bits=16"},
	}
	// Checks that make a unit show what is wrong with all of its answers.
	busy := []string{"1.2", "2.2", "4.3.4", "4.4.1", "5.2.1", "5.5.1", "5.6.4"}
	folder := t.TempDir()
	sound, err := firmware.Build(t.Context(), folder, firmware.BuildOptions{})
	if errors.Is(err, firmware.ErrNoCompiler) {
		t.Skip(err)
	} else if err != nil {
		t.Fatal(err)
	}
	tried := 0
	for _, d := range all {
		if !full && !slices.Contains(few, d.Name) {
			continue
		}
		tried++
		t.Run(d.Clause+" "+d.Name, func(t *testing.T) {
			t.Parallel()
			program, err := firmware.Build(t.Context(), t.TempDir(), firmware.BuildOptions{Defect: d.Name})
			if err != nil {
				t.Fatal(err)
			}
			only := []string{d.Clause}
			if conform.Always(d.Clause) {
				only = append(only, busy...)
			}
			var why string
			for _, settings := range variants {
				report, err := tryKit(t.Context(), program, settings, only...)
				if report == nil {
					t.Fatal(err)
				}
				got := report.Of(d.Clause)
				if got.Outcome != conform.Failed {
					why += fmt.Sprintf("%s %s (%v); ", got.Outcome, got.Why, err)
					continue
				}
				t.Logf("%s: %s", d.About, got.Why)
				report, err = tryKit(t.Context(), sound, settings, only...)
				if err != nil {
					t.Fatal(err)
				}
				if got := report.Of(d.Clause); got.Outcome != conform.Passed {
					t.Errorf("the sound unit: %s %s", got.Outcome, got.Why)
				}
				return
			}
			t.Errorf("%s: %s", d.About, why)
		})
	}
	// The defects run after this function, side by side: one that is not
	// caught fails the test, and its figure is told then.
	t.Cleanup(func() {
		figures.Tell(t, "defects.tried", tried, "defects", fmt.Sprintf(">=%d", min(len(few), tried)), tried > 0)
		figures.Kept(t, "defects")
	})
}
