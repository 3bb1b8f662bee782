package shift

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"example.org/panecal/station"
)

// A hand-over tells times with the site's offset, and hours as they went by: a night
// in which clocks are put forward or back has 7 or 9 of them. The days are those of
// Directive 2000/84/EC, last Sunday of March and of October, 01:00 UTC.
func TestHandOverJSON(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		from, to string // as the clock on the wall shows them
		want     string
	}{
		{"2026-03-28 22:00", "2026-03-29 06:00", "2026-03-28T22:00:00+01:00 2026-03-29T06:00:00+02:00 7"},
		{"2026-06-01 22:00", "2026-06-02 06:00", "2026-06-01T22:00:00+02:00 2026-06-02T06:00:00+02:00 8"},
		{"2026-10-24 22:00", "2026-10-25 06:00", "2026-10-24T22:00:00+02:00 2026-10-25T06:00:00+01:00 9"},
	} {
		at := func(text string) time.Time {
			v, err := time.ParseInLocation("2006-01-02 15:04", text, berlin)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		h := HandOver{Station: "line3-cal", Person: "p7", From: at(c.from), To: at(c.to), Settings: Settings{WorkOrder: "WO-7", Quantity: 300},
			Counters: station.Counters{OrderGood: 112, PerHour: math.NaN(), ShiftPerHour: 58.04, Checked: at(c.to).Add(-90 * time.Minute)},
			Holds:    []station.OnHold{{Serial: "H1", Since: at(c.from).UTC(), Why: station.FailedLabel, Box: "B-1"}},
			Lifted:   []station.Lifted{{Args: station.Args{Nest: "A"}, Code: station.StopNoAnswer, At: at(c.from), By: "p9", Method: "badge"}}}
		data, err := h.JSON()
		if err != nil {
			t.Fatal(err)
		}
		var got map[string]any
		if err := json.Unmarshal(data, &got); err != nil {
			t.Fatal(err)
		}
		if said := fmt.Sprint(got["from"], " ", got["to"], " ", got["elapsed_h"]); said != c.want {
			t.Errorf("%s, want %s", said, c.want)
		}
		rate, order, holds := got["good_per_hour"].(map[string]any), got["order"].(map[string]any), got["holds"].([]any)
		if got["schema"] != "panecal.handover/1" || rate["last_hour"] != nil || rate["shift"] != 58.0 || order["remaining"] != 188.0 || got["check_unit_age_h"] != 1.5 ||
			holds[0].(map[string]any)["box"] != "B-1" || holds[0].(map[string]any)["age_h"] != got["elapsed_h"] {
			t.Errorf("%s", data)
		}
		if strings.Contains(string(data), "p7") {
			t.Error("the person stands in a hand-over of the station")
		}
		if h.Named = true; !strings.Contains(must(h.JSON()), `"person": "p7"`) {
			t.Error("the person is missing where the site wants persons")
		}
	}
}

func must(data []byte, err error) string {
	if err != nil {
		panic(err)
	}
	return string(data)
}
