//go:build linux

package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// demoPlant is a demonstration whose station another process runs: its simulated
// nests are served here, and its configuration says what the test adds.
func demoPlant(t *testing.T, config string) *demonstration {
	t.Helper()
	t.Setenv("TMPDIR", t.TempDir())
	c := newDemo()
	c.SetContext(t.Context())
	d, err := newDemonstration(c)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(d.folder, "panecal.toml")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, append(text, "grace_ms = 5000\n"+config...), 0o640); err != nil {
		t.Fatal(err)
	}
	return d
}

// TestShiftOnATerminal is a shift from the badge to the hand-over, as an
// operator has it.
func TestShiftOnATerminal(t *testing.T) {
	scanner, scannerPort, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer scanner.Close()
	defer scannerPort.Close()
	d := demoPlant(t, fmt.Sprintf("badge = \"[0-9]{4,8}\"\nask = [\"order\", \"quantity\", \"windows\"]\ntakt_s = 40.0\nbell = true\ncheck_every = \"8h\"\nscanner = %q\n", scannerPort.Name()))
	good := d.Acts[0].Unit
	x := startTerminal(t, "--data", d.folder, "shift")
	x.wait("Scan your badge")
	x.enter("12\r")
	x.wait("This is no badge: 12.")
	if _, err := scanner.WriteString("4711\r"); err != nil { // over its own port
		t.Fatal(err)
	}
	x.wait("Invisible laser radiation")
	x.enter(good.Serial() + "\r") // no acknowledgement, and no label yet
	x.press("\r")
	x.wait("Scan the work order")
	x.enter("WO-7\r")
	x.wait("how many units")
	x.enter("300\r")
	x.wait("lot of the windows")
	x.enter("W-2025-11\r")
	x.wait("Work order WO-7, 300 units")
	x.wait("check unit is overdue")
	x.enter(good.Serial() + "\r")
	x.wait("Put " + good.Serial())
	d.Seat(0, good.Serial())
	x.wait("passed")
	good.TakeOut()
	x.wait("Scan the next label")
	x.enter("CMD NOTE\r")
	x.wait("message for the test engineer")
	x.enter("fixture 2 rattles\r")
	x.wait("on record")
	x.enter("4711\r")
	x.wait("On hold: 0")
	x.press("\x11")
	x.wait("Press Ctrl-Q again to leave.")
	x.press("\x11")
	if code := x.end(); code != cli.ExitDone {
		t.Errorf("exit code %d, want %d", code, cli.ExitDone)
	}
	x.mu.Lock()
	if x.bells == 0 {
		t.Error("no bell rang")
	}
	x.mu.Unlock()

	// Everything is on record, and the hand-over in its file.
	s, err := store.Open(filepath.Join(d.folder, "store"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var got []string
	err = s.Between(time.Time{}, time.Now().Add(time.Hour), func(e record.Entry) error {
		switch b := e.Body.(type) {
		case *record.SignOn:
			got = append(got, fmt.Sprintf("sign-on %s %v by %s, %d cautions", b.Person, !b.Off, b.Method, len(b.Acknowledged)))
		case *record.ShiftSettings:
			got = append(got, fmt.Sprintf("settings %s %q %d %q", b.Operator, b.WorkOrder, b.Quantity, b.WindowLot))
		case *record.Note:
			got = append(got, fmt.Sprintf("note %s: %s", b.By, b.Text))
		case *record.Attempt:
			got = append(got, fmt.Sprintf("attempt %s %s %s", b.Run.Operator, b.Run.WorkOrder, b.Outcome))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	want := `sign-on 4711 true by badge, 4 cautions
settings 4711 "" 0 ""
settings 4711 "WO-7" 300 "W-2025-11"
attempt 4711 WO-7 passed
note 4711: fixture 2 rattles
sign-on 4711 false by screen, 0 cautions`
	if text := strings.Join(got, "\n"); text != want {
		t.Errorf("on record\n%s\nwant\n%s", text, want)
	}
	files, err := filepath.Glob(filepath.Join(d.folder, "handover", "*.txt")) // of the station: it names no person unless the site wants that
	if err != nil || len(files) != 1 || strings.Contains(files[0], "4711") {
		t.Fatalf("hand-overs %v, %v", files, err)
	}
	text, err := os.ReadFile(files[0])
	if err != nil || !strings.Contains(string(text), "1 unit, first pass 100 %") || !strings.Contains(string(text), "goal 90/h") || strings.Contains(string(text), "4711") {
		t.Errorf("the hand-over says %q, %v", text, err)
	}
}

// TestNobodySignsOffInDoubt takes the log's last segment away under a shift:
// the record of the unit in hand cannot be written, and whoever leaves then is
// not signed off, so that the next start shows what may not have been seen.
func TestNobodySignsOffInDoubt(t *testing.T) {
	d := demoPlant(t, "")
	good := d.Acts[0].Unit
	x := startTerminal(t, "--data", d.folder, "shift", "--plain", "--operator", "4711")
	x.wait("Scan the next label")
	segments, err := filepath.Glob(filepath.Join(d.folder, "store", "journal-*.seg"))
	if err != nil || len(segments) == 0 {
		t.Fatalf("segments %v, %v", segments, err)
	}
	last, away := segments[len(segments)-1], filepath.Join(d.folder, "away")
	if err := os.Rename(last, away); err != nil {
		t.Fatal(err)
	}
	x.enter(good.Serial() + "\r")
	x.wait("Put " + good.Serial())
	d.Seat(0, good.Serial())
	x.wait("could not be written")
	if good.EmitterOn() {
		t.Error("the emitter is on")
	}
	// Back in its place, so that it could be written.
	if err := os.Rename(away, last); err != nil {
		t.Fatal(err)
	}
	if err := x.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if code := x.end(); code != cli.ExitTerminate {
		t.Errorf("exit code %d, want %d", code, cli.ExitTerminate)
	}
	if files, _ := filepath.Glob(filepath.Join(d.folder, "handover", "*")); len(files) > 0 {
		t.Errorf("handed over: %v", files)
	}
	s, err := store.Open(filepath.Join(d.folder, "store"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	on, off := 0, 0
	err = s.Between(time.Time{}, time.Now().Add(time.Hour), func(e record.Entry) error {
		if b, ok := e.Body.(*record.SignOn); ok && b.Off {
			off++
		} else if ok {
			on++
		}
		return nil
	})
	if err != nil || on != 1 || off != 0 {
		t.Errorf("signed on %d times, off %d times, %v", on, off, err)
	}
}
