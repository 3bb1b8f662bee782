package firmware_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/firmware"
	"example.org/panecal/protocol/link"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/testdata/figures"
)

// built is the folder for what all tests share.
var built string

func TestMain(m *testing.M) {
	var err error
	if built, err = os.MkdirTemp("", "panecal-firmware-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	code := m.Run()
	os.RemoveAll(built)
	os.Exit(code)
}

var sanitizers = []string{"-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"}

// program is the unit, compiled once; `make firmware` has it under the
// sanitizers, with which compiling takes five times as long.
var program = sync.OnceValues(func() (string, error) {
	var o firmware.BuildOptions
	if full() {
		o.Flags = sanitizers
	}
	return firmware.Build(context.Background(), built, o)
})

// sources is the folder of the unpacked sources.
func sources(t *testing.T) string {
	t.Helper()
	if _, err := program(); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(built, "panecal-unit-source")
}

// start starts a unit and opens its line.
func start(t *testing.T, o firmware.Options) (*firmware.Host, *protocol.Client) {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	o.Stderr = &said
	h, err := firmware.Start(t.Context(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	open, close := h.Console()
	l, err := link.Open(t.Context(), h.Path(), link.Options{Baud: 921600, OpenText: open, CloseText: close})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Errorf("closing the line: %v", err)
		}
		if err := h.Close(); err != nil || said.Len() > 0 {
			t.Errorf("the unit ended with %v and said %q", err, said.String())
		}
	})
	return h, protocol.NewClient(l, protocol.Options{Grace: time.Second})
}

// must takes what a function returns and wants no error.
func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func block(t *testing.T, id protocol.Identity, state protocol.State, offset float64) []byte {
	t.Helper()
	b := protocol.Block{Serial: id.Serial, Rows: id.Rows, Cols: id.Cols, TempMilliCel: 25000, State: state,
		Witness: protocol.Witness{Station: "cell-3", Generation: 1, Sequence: 815}}
	zones := make([]float64, id.Zones())
	bins := make([][]float64, id.Zones())
	offsets := make([]float64, id.Zones())
	for z := range zones {
		offsets[z] = offset + 0.25*float64(z)
		bins[z] = make([]float64, 17)
	}
	if err := errors.Join(b.SetLeakage(zones, 4, bins), b.SetOffsets(offsets)); err != nil {
		t.Fatal(err)
	}
	return must(b.Marshal())(t)
}

func TestCapture(t *testing.T) {
	t.Parallel()
	h, c := start(t, firmware.Options{Speed: 20, Settings: []string{"count_bits=12"}})
	ctx := t.Context()
	id := must(c.Identify(ctx))(t)
	if id.Zones() != 54 || id.Bins != 96 || id.CountBits != 12 {
		t.Fatalf("identity: %+v", id)
	}
	lit := false
	got, err := c.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 300_000, Frames: 20}, func(protocol.Progress) {
		on, err := h.EmitterOn()
		lit = lit || on && err == nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if !lit {
		t.Error("the emitter was never on")
	}
	if on, err := h.EmitterOn(); on || err != nil {
		t.Errorf("after the capture the emitter is %v (%v)", on, err)
	}
	if got.Shots != 6_000_000 || got.End != protocol.Complete || len(got.FrameTotals) != 20 {
		t.Errorf("%d shots, end %d, %d frames", got.Shots, got.End, len(got.FrameTotals))
	}
	// Leakage of 0.02 a shot fills a bin with more than 12 bits.
	if most := slices.Max(got.Counts); most != 4095 {
		t.Errorf("the fullest bin holds %d", most)
	}
	for z := range 54 {
		var sum uint64
		for _, f := range got.FrameTotals {
			sum += uint64(f[z])
		}
		want := 6e6 * (0.02 + 96*1e-4) * (1 + 0.2*float64(z)/54)
		if uint64(got.Totals[z]) != sum || math.Abs(float64(sum)-want) > 6*math.Sqrt(want)+0.001*want {
			t.Errorf("zone %d: total %d, frames %d, expected %.0f", z, got.Totals[z], sum, want)
		}
	}
}

func TestConstants(t *testing.T) {
	t.Parallel()
	h, c := start(t, firmware.Options{Speed: 50})
	ctx := t.Context()
	id := must(c.Identify(ctx))(t)
	if got := must(c.ReadConstants(ctx))(t); len(got) != 0 {
		t.Fatalf("a new unit holds %d bytes", len(got))
	}
	ranges := func(compensated bool) []protocol.RangeZone {
		t.Helper()
		got, err := c.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Ranges, Compensated: compensated, Shots: 200_000, Frames: 1}, nil)
		if err != nil {
			t.Fatal(err)
		}
		return got.Ranges
	}
	put := func(b []byte) {
		t.Helper()
		if err := errors.Join(c.Stage(ctx, b), c.Commit(ctx, b)); err != nil {
			t.Fatal(err)
		}
		if got := must(c.ReadConstants(ctx))(t); !bytes.Equal(got, b) {
			t.Fatalf("wrote %d bytes, read back %d others", len(b), len(got))
		}
	}
	written, released := block(t, id, protocol.Written, 7.5), block(t, id, protocol.Released, 7.5)
	put(written)
	bare, with := ranges(false), ranges(true)
	for z := range bare {
		// The two captures differ in their counting noise.
		want := 7.5 + 0.25*float64(z)
		noise := 6 * math.Hypot(float64(bare[z].RangeU), float64(with[z].RangeU)) / 1000
		if d := float64(bare[z].Range-with[z].Range) / 1000; math.Abs(d-want) > noise+0.01 {
			t.Errorf("zone %d: compensation takes %.3f mm off, stored are %.3f (noise %.3f)", z, d, want, noise)
		}
	}
	put(released)
	must(h.Do("reset"))(t)
	reidentify(t, c)
	if got := must(c.ReadConstants(ctx))(t); !bytes.Equal(got, released) {
		t.Error("a reset lost the constants")
	}
	for _, w := range []protocol.Witness{{Station: "cell-3", Generation: 1, Sequence: 4711, Intent: [16]byte{9, 8, 7}}, {}} {
		want := must((&protocol.Block{State: protocol.Voided, Witness: w}).Marshal())(t)
		if err := c.Void(ctx, w); err != nil {
			t.Fatal(err)
		}
		if got := must(c.ReadConstants(ctx))(t); !bytes.Equal(got, want) {
			t.Errorf("after void: % X", got)
		}
	}
	var refused *protocol.RefusedError
	other := id
	other.Serial = "somebody else"
	wrong := block(t, other, protocol.Written, 1)
	if err := c.Stage(ctx, wrong); err != nil {
		t.Fatal(err)
	}
	if err := c.Commit(ctx, wrong); !errors.As(err, &refused) || refused.Code != protocol.CodeWrongUnit {
		t.Errorf("committing the block of another unit: %v", err)
	}
}

// reidentify waits for a unit that starts anew.
func reidentify(t *testing.T, c *protocol.Client) {
	t.Helper()
	for range 30 {
		if _, err := c.Identify(t.Context()); err == nil {
			return
		}
	}
	t.Fatal("the unit does not come back")
}

// TestPowerCut cuts the power in the middle of every write to the memory of
// the constants: the old block or the new one must be there afterwards.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	h, c := start(t, firmware.Options{Settings: []string{"rows=1", "columns=3", "write_ms=1", "commit_ms=10"}})
	ctx := t.Context()
	id := must(c.Identify(ctx))(t)
	old := block(t, id, protocol.Written, 0)
	if err := errors.Join(c.Stage(ctx, old), c.Commit(ctx, old)); err != nil {
		t.Fatal(err)
	}
	for n := 1; ; n++ {
		want := block(t, id, protocol.Written, float64(n))
		if err := c.Stage(ctx, want); err != nil {
			t.Fatal(err)
		}
		must(h.Do("cut " + strconv.Itoa(n)))(t)
		said := c.Commit(ctx, want)
		happened := must(h.Do("cut 0"))(t) == "1"
		if happened {
			reidentify(t, c)
		}
		got := must(c.ReadConstants(ctx))(t)
		switch {
		case bytes.Equal(got, want):
			old = want
		case bytes.Equal(got, old) && said != nil:
		default:
			t.Fatalf("power cut at write %d: commit said %v, and %d bytes are in force that are neither block", n, said, len(got))
		}
		if !happened {
			if n < 5 {
				t.Fatalf("a commit takes only %d writes", n-1)
			}
			return
		}
	}
}

func TestStopAndWatchdog(t *testing.T) {
	t.Parallel()
	h, c := start(t, firmware.Options{Settings: []string{"rows=1", "columns=3"}})
	ctx := t.Context()
	must(c.Identify(ctx))(t)
	long := protocol.CaptureRequest{ID: 1, Kind: protocol.Histograms, Shots: 1_000_000_000, Frames: 2}
	must(c.StartCapture(ctx, long))(t)
	if on, err := h.EmitterOn(); !on || err != nil {
		t.Fatalf("while a capture runs the emitter is %v (%v)", on, err)
	}
	if err := c.Stop(ctx); err != nil {
		t.Fatal(err)
	}
	if on, err := h.EmitterOn(); on || err != nil {
		t.Errorf("after stop the emitter is %v (%v)", on, err)
	}
	if p, err := c.Progress(ctx, 1); err != nil || p.End != protocol.Stopped || p.ShotsFired == 0 || p.ShotsFired >= 2_000_000_000 {
		t.Errorf("after stop: %+v, %v", p, err)
	}
	long.ID = 2
	must(c.StartCapture(ctx, long))(t)
	begun := time.Now()
	for on := true; on; {
		var err error
		if on, err = h.EmitterOn(); err != nil {
			t.Fatal(err)
		}
		if time.Since(begun) > 5*time.Second {
			t.Fatal("nobody asks, and the emitter stays on")
		}
	}
	if took := time.Since(begun); took < 900*time.Millisecond {
		t.Errorf("the watchdog bit after %v", took)
	}
	if p, err := c.Progress(ctx, 2); err != nil || p.End != protocol.Watchdog {
		t.Errorf("after a second of silence: %+v, %v", p, err)
	}
}

func TestConsole(t *testing.T) {
	t.Parallel()
	h, c := start(t, firmware.Options{Settings: []string{`open=~panecal open\r`, `close=~panecal close\r`, `banner=hopper\r\n> `}})
	must(c.Identify(t.Context()))(t)
	if open, close := h.Console(); open != "~panecal open\r" || close != "~panecal close\r" {
		t.Errorf("console texts %q, %q", open, close)
	}
}

// TestTwin holds the C unit against the unit that it takes its photons from:
// what the station sees is the same to the last count.
func TestTwin(t *testing.T) {
	t.Parallel()
	const seed, speed = 7, 10
	for _, m := range []simunit.Model{simunit.Hopper54(), simunit.Hopper1()} {
		t.Run(m.Product, func(t *testing.T) {
			t.Parallel()
			captures := func(c *protocol.Client, set func(simunit.Scene)) (all []*protocol.Capture) {
				id := must(c.Identify(t.Context()))(t)
				kind := protocol.Totals
				if id.Bins > 0 {
					kind = protocol.Histograms
				}
				set(simunit.Scene{TargetMM: 300, Reflectance: 0.5})
				for _, q := range []protocol.CaptureRequest{{Kind: kind, Shots: 50_000, Frames: 20}, {Kind: protocol.Ranges, Shots: 1_000_000, Frames: 1}} {
					all = append(all, must(c.Capture(t.Context(), q, nil))(t))
				}
				return all
			}
			new := func() *simunit.Unit {
				return must(simunit.New(m, seed, simunit.Options{Speed: speed}))(t)
			}
			alone := new()
			l := must(link.Open(t.Context(), must(simunit.ServePTY(t.Context(), alone))(t), link.Options{Baud: 921600}))(t)
			defer l.Close()
			want := captures(protocol.NewClient(l, protocol.Options{Grace: time.Second}), alone.SetScene)

			twin := new()
			h, c := start(t, firmware.Options{Twin: twin, Speed: speed,
				Pulse: &firmware.Pulse{StartPS: m.Pulse.StartPS, StepPS: m.Pulse.StepPS, Density: m.Pulse.Density}})
			got := captures(c, twin.SetScene)

			if !slices.Equal(got[0].Counts, want[0].Counts) || !slices.Equal(got[0].Totals, want[0].Totals) ||
				!slices.EqualFunc(got[0].FrameTotals, want[0].FrameTotals, slices.Equal) {
				t.Error("the counts differ")
			}
			if got[0].Shots != want[0].Shots || got[0].TempMilliCel != want[0].TempMilliCel {
				t.Errorf("shots and temperature %d, %d; the twin %d, %d", got[0].Shots, got[0].TempMilliCel, want[0].Shots, want[0].TempMilliCel)
			}
			for z, w := range want[1].Ranges {
				// Each ranges its own photons, by its own code; a product's pulse fit is good to 1 mm here.
				g := got[1].Ranges[z]
				if !g.Ranged || !w.Ranged || math.Abs(float64(g.Range-w.Range)) > 1000+6*math.Hypot(float64(g.RangeU), float64(w.RangeU)) {
					t.Errorf("zone %d: %+v, the twin %+v", z, g, w)
				}
			}

			twin.TakeOut()
			for taken := time.Now(); ; {
				if _, err := c.Status(t.Context()); err != nil {
					break
				}
				if time.Since(taken) > 2*time.Second {
					t.Fatal("the unit speaks though it was taken out")
				}
			}
			twin.Seat(simunit.Seating{})
			reidentify(t, c)
			if v, err := h.Do("no such command"); err == nil {
				t.Errorf("an unknown command gave %q", v)
			}
		})
	}
}

// TestSizes compiles the kit once more: `make firmware` alone does it.
func TestSizes(t *testing.T) {
	t.Parallel()
	if !full() {
		t.Skip("left to make firmware")
	}
	from := sources(t)
	kit := must(filepath.Glob(filepath.Join(from, "kit", "*.c")))(t)
	out := t.TempDir()
	code := 0
	for _, file := range append(kit, filepath.Join(from, "example", "port.c"), filepath.Join(from, "example", "pageflash.c")) {
		object := filepath.Join(out, filepath.Base(file)+".o")
		compile(t, "gcc", append(firmware.Flags(), "-Wconversion", "-Os", "-fno-asynchronous-unwind-tables", "-I"+filepath.Join(from, "kit"), "-I"+filepath.Join(from, "example"), "-c", file, "-o", object)...)
		if strings.HasPrefix(filepath.Base(filepath.Dir(file)), "example") {
			continue
		}
		f := strings.Fields(string(must(exec.Command("size", object).Output())(t)))
		code += must(strconv.Atoi(f[6]))(t) + must(strconv.Atoi(f[7]))(t)
	}
	ram := 0
	for line := range strings.Lines(string(must(exec.Command("nm", "-t", "d", "-S", filepath.Join(out, "port.c.o")).Output())(t))) {
		if f := strings.Fields(line); len(f) == 4 && (f[3] == "unit" || f[3] == "receive") {
			ram += must(strconv.Atoi(strings.TrimLeft(f[1], "0")))(t)
		}
	}
	figures.Tell(t, "firmware.code", code, "bytes", "<8192", code > 0 && code < 8192)
	figures.Tell(t, "firmware.ram", ram, "bytes", "<4096", ram > 0 && ram < 4096)
}

func compile(t *testing.T, compiler string, arguments ...string) {
	t.Helper()
	if out, err := exec.CommandContext(t.Context(), compiler, arguments...).CombinedOutput(); err != nil {
		t.Fatalf("%s %s: %v\n%s", compiler, arguments[len(arguments)-1], err, out)
	}
}

func TestClang(t *testing.T) {
	t.Parallel()
	if _, err := exec.LookPath("clang"); err != nil {
		t.Skip("no clang on this machine: the kit was compiled by gcc alone")
	}
	from := sources(t)
	files := must(filepath.Glob(filepath.Join(from, "*", "*.c")))(t)
	if len(files) < 10 {
		t.Fatalf("only %d files", len(files))
	}
	for _, file := range files {
		compile(t, "clang", append(firmware.Flags(), "-fsyntax-only", "-I"+filepath.Join(from, "kit"), "-I"+filepath.Join(from, "example"), file)...)
	}
}

// TestNothingOfTheLibrary: the kit includes no header but these, and calls
// nothing that takes memory.
func TestNothingOfTheLibrary(t *testing.T) {
	t.Parallel()
	files := must(filepath.Glob(filepath.Join(sources(t), "kit", "*")))(t)
	allowed := map[string]bool{"<string.h>": true, "<stdint.h>": true, "<stddef.h>": true, "<stdbool.h>": true, `"panecal.h"`: true, `"inside.h"`: true}
	seen := 0
	for _, file := range files {
		for line := range strings.Lines(string(must(os.ReadFile(file))(t))) {
			if what, ok := strings.CutPrefix(strings.TrimSpace(line), "#include "); ok {
				seen++
				if !allowed[what] {
					t.Errorf("%s includes %s", filepath.Base(file), what)
				}
			}
		}
	}
	if seen < 10 {
		t.Errorf("only %d includes seen", seen)
	}
}

// TestMutations drives the decoder with changed requests under the sanitizers.
func TestMutations(t *testing.T) {
	t.Parallel()
	from := sources(t)
	driver := filepath.Join(t.TempDir(), "mutate")
	arguments := append(append(firmware.Flags(), sanitizers...), "-I"+filepath.Join(from, "kit"), "-o", driver)
	arguments = append(arguments, must(filepath.Glob(filepath.Join(from, "kit", "*.c")))(t)...)
	compile(t, "gcc", append(arguments, filepath.Join(from, "fuzz", "decoder.c"), filepath.Join(from, "fuzz", "mutate.c"))...)
	inputs := "20000"
	if full() {
		inputs = "2000000"
	}
	out, err := exec.CommandContext(t.Context(), driver, inputs, "1").CombinedOutput()
	if err != nil || !strings.HasPrefix(string(out), inputs+" inputs") {
		t.Errorf("%v: %s", err, out)
	}
	figures.Tell(t, "firmware.mutations", inputs, "inputs", ">="+inputs, err == nil)
}

// TestDefects: each defect finds its place in the sources, and what it changes
// compiles: the first one, and all of them in `make firmware`.
func TestDefects(t *testing.T) {
	t.Parallel()
	all := must(firmware.Defects())(t)
	if len(all) < 25 {
		t.Errorf("only %d defects", len(all))
	}
	sound := sources(t)
	spec := string(must(os.ReadFile("../SPEC.md"))(t))
	names := map[string]bool{}
	for i, d := range all {
		if d.Number != i+1 || names[d.Name] || !strings.Contains(spec, "**"+d.Clause+"** ") {
			t.Errorf("defect %d %s, clause %s: out of order, twice, or no such clause", d.Number, d.Name, d.Clause)
		}
		names[d.Name] = true
		dir := filepath.Join(t.TempDir(), "source")
		if err := firmware.Unpack(dir, d.Name); err != nil {
			t.Error(err)
			continue
		}
		changed := 0
		for _, file := range must(filepath.Glob(filepath.Join(dir, "*", "*.c")))(t) {
			twin := filepath.Join(sound, filepath.Base(filepath.Dir(file)), filepath.Base(file))
			if bytes.Equal(must(os.ReadFile(file))(t), must(os.ReadFile(twin))(t)) {
				continue
			}
			changed++
			if i > 0 && !full() {
				continue
			}
			compile(t, "gcc", "-std=c99", "-fsyntax-only", "-I"+filepath.Join(dir, "kit"), file)
		}
		if changed == 0 {
			t.Errorf("defect %s changes nothing", d.Name)
		}
	}
}
