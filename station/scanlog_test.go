package station_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// Two thousand scans without a pause, good ones and others: each is taken or
// refused with a reason in the program's log, in order, with its own bytes.
func TestTwoThousandScansAreLogged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		b := start(t, rigging{nests: 2, options: func(o *station.Options) { o.Logger = slog.New(slog.NewJSONHandler(&log, nil)) }})
		time.Sleep(3 * time.Second) // the nests are known to be empty
		var scans []string
		good := serial(t, simunit.Hopper54(), 1)
		for i := range 2000 {
			text := serial(t, simunit.Hopper54(), i)
			switch i % 5 {
			case 1:
				text = strings.ToLower(text)
			case 2:
				text = text[:len(text)-1]
			case 3:
				text = good + "\x1d"
			}
			scans = append(scans, text)
			b.runner.Scan(station.NoNest, text)
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if err := b.finish(); err != nil {
			t.Error(err)
		}
		taken, refused, at := 0, map[string]int{}, 0
		for line := range strings.Lines(log.String()) {
			var got struct {
				Msg, Text, Code string
				Taken           bool
			}
			if err := json.Unmarshal([]byte(line), &got); err != nil {
				t.Fatal(err)
			}
			if got.Msg != "scan" {
				continue
			}
			if at >= len(scans) || got.Text != scans[at] {
				t.Fatalf("scan %d is logged as %q", at, got.Text)
			}
			wanted := at%5 == 0 || at%5 == 4
			if got.Taken != wanted || !got.Taken && got.Code == "" {
				t.Fatalf("scan %d, %q: taken %v, code %q", at, got.Text, got.Taken, got.Code)
			}
			if got.Taken {
				taken++
			} else {
				refused[got.Code]++
			}
			at++
		}
		t.Logf("%d taken, refused %v", taken, refused)
		if at != len(scans) || taken < 500 {
			t.Errorf("%d of %d scans are logged, %d taken", at, len(scans), taken)
		}
	})
}

// With nests that empty at once every label of two thousand scans that is
// taken leads to an attempt of that label and no other.
func TestTwoThousandScansWithUnits(t *testing.T) {
	s := usual()
	s.nests = 3
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	var want []string
	refused := 0
	for i := range 2000 {
		text := fmt.Sprintf("A%d", i)
		if i%4 != 0 {
			text += "?#/"[i%4-1 : i%4]
		}
		w.said = nil
		w.tell(station.NoNest, 0, station.Scanned{Text: text})
		if i%4 != 0 {
			if len(w.said) != 1 || w.said[0].Code != station.RefusedLabel || w.said[0].Args.Label != text || w.machine.Snapshot().Label != "" {
				t.Fatalf("%q: %+v", text, w.said)
			}
			refused++
			continue
		}
		if w.machine.Snapshot().Label != text {
			t.Fatalf("%q is not open, but %q: %+v", text, w.machine.Snapshot().Label, w.said)
		}
		nest := i % 3
		u := newUnit("u"+text, text)
		w.seat(nest, u)
		w.pass(300 * time.Millisecond)
		w.attend(nest)
		delete(w.units, nest)
		w.pass(time.Second)
		want = append(want, text)
	}
	var got []string
	for _, e := range w.log {
		if a, ok := e.Body.(*record.Attempt); ok {
			got = append(got, a.Run.Label)
			if a.Run.UnitID != "u"+a.Run.Label {
				t.Fatalf("label %s with unit %s", a.Run.Label, a.Run.UnitID)
			}
		}
	}
	t.Logf("%d taken, %d refused", len(got), refused)
	if len(got) < 500 || fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%d attempts of %d labels", len(got), len(want))
	}
}
