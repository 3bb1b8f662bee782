package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/adrg/xdg"

	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// heardBy collects what the doctor says.
func heardBy(examine func(sayer)) string {
	var b strings.Builder
	examine(func(state, subject, mend, format string, args ...any) {
		fmt.Fprintf(&b, "%s %s: %s", state, subject, fmt.Sprintf(format, args...))
		if mend != "" {
			fmt.Fprintf(&b, " -> %s", mend)
		}
		b.WriteByte('\n')
	})
	return b.String()
}

// TestDoctorOfPorts: an adapter that keeps bytes back is named with its mend.
func TestDoctorOfPorts(t *testing.T) {
	folder := t.TempDir()
	drivers := filepath.Join(folder, "drivers")
	write := func(name, text string) string {
		path := filepath.Join(folder, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
		return path
	}
	write("drivers/ttyUSB0/latency_timer", "16\n")
	write("drivers/ttyUSB1/latency_timer", "1\n")
	write("drivers/ttyUSB2/latency_timer", "soon\n")
	stable := filepath.Join(folder, "by-path")
	if err := os.Symlink(write("ttyUSB0", ""), stable); err != nil {
		t.Skipf("this computer makes no links: %v", err)
	}
	for port, want := range map[string]string{
		stable:                         "look latency A: the adapter keeps bytes back for 16 ms -> as administrator: echo 1 > " + filepath.Join(drivers, "ttyUSB0", "latency_timer"),
		write("ttyUSB1", ""):           "ok latency A: the adapter keeps bytes back for 1 ms\n",
		write("ttyUSB2", ""):           "look latency A: not known",
		write("ttyS0", ""):             "ok latency A: the port keeps no bytes back",
		filepath.Join(folder, "ttyS1"): "bad port A:",
		"tcp:127.0.0.1:1":              "ok port A: tcp:127.0.0.1:1: a bridge program",
	} {
		if got := heardBy(func(say sayer) { examinePort("A", port, drivers, say) }); !strings.Contains(got, want) {
			t.Errorf("%s:\n%swant %s", port, got, want)
		}
	}
}

func TestDoctorOfTheClock(t *testing.T) {
	for _, c := range []struct {
		synced, known bool
		want          string
	}{{true, true, "ok clock: T UTC, follows"}, {false, true, "look clock: T UTC, follows no time server -> "}, {false, false, "not known"}} {
		if got := heardBy(func(say sayer) { examineClock("T", c.synced, c.known, say) }); !strings.Contains(got, c.want) {
			t.Errorf("%+v: %s", c, got)
		}
	}
}

// TestDoctorOfTheLog: head, check, backup and check unit, as they grow old.
func TestDoctorOfTheLog(t *testing.T) {
	home := t.TempDir()
	t.Cleanup(xdg.Reload)
	t.Setenv("XDG_STATE_HOME", filepath.Join(home, "state"))
	t.Setenv("XDG_CACHE_HOME", filepath.Join(home, "cache"))
	xdg.Reload()
	folder := filepath.Join(home, "store")
	now := time.Now()
	if err := store.Create(folder, store.Options{Station: "S1"}); err != nil {
		t.Fatal(err)
	}
	config := configuration{rules: rules{checkEvery: 8 * time.Hour}}
	look := func(at time.Time) string {
		return heardBy(func(say sayer) { examineStore(place{data: filepath.Dir(folder)}, folder, config, at, say) })
	}
	expect := func(when string, got string, want ...string) {
		t.Helper()
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("%s:\n%swant %s", when, got, w)
			}
		}
	}
	expect("at first", look(now), "ok log head: generation 0, record 0", "look last check: never", "ok last backup: never; there is nothing", "look check unit: never run here -> run a check unit")

	add := func(o record.Outcome) {
		t.Helper()
		s, err := store.Open(folder, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		q, err := record.Quantities(quantity.Set{})
		if err != nil {
			t.Fatal(err)
		}
		a := &record.Attempt{Run: record.Run{Serial: "C1", Purpose: station.Check}, Outcome: o, Quantities: q}
		if _, err := s.Append(a); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	add(station.Passed)
	expect("not copied", look(now), "ok log head: generation 1, record 1", "look last backup: never -> run `panecal log backup")
	if _, err := logs.Check(folder, store.CheckOptions{}, new(strings.Builder), noteLogCheck); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Backup(folder, filepath.Join(home, "copy"), now, nil); err != nil {
		t.Fatal(err)
	}
	later := now.Add(time.Minute)
	expect("all well", look(later), "ok last check: ", "up to record 1: whole", "ok last backup: ", "up to record 1, into "+filepath.Join(home, "copy"), "ok check unit: ", "record 1: passed")
	expect("half a day on", look(now.Add(12*time.Hour)), "look check unit: ", "12 h ago", "ok last backup: ")
	expect("two months on", look(now.AddDate(0, 2, 0)), "look last check: ", "look last backup: ")
	add(station.Failed)
	expect("failed", look(time.Now().Add(time.Minute)), "bad check unit: ", "record 2: failed -> find out why")
	noteLogCheck(folder, now, 1, 3)
	expect("damaged", look(later), "bad last check: ", "3 damages -> copy the store's folder")
}
