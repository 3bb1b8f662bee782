package runner_test

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/runner"
)

// Two thousand scans without a pause, good ones and others: each is taken or
// refused with a reason in the program's log, in order, with its own bytes.
func TestTwoThousandScansAreLogged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		b := start(t, rigging{nests: 2, options: func(o *runner.Options) { o.Logger = slog.New(slog.NewJSONHandler(&log, nil)) }})
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
