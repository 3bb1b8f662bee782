package productmake

import (
	"encoding/json"
	"fmt"
	"io"
	"math"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/station/batch"
)

// line is one of a list: a unit before a target at a known distance. The same
// unit on more lines stands before the target at more distances.
type line struct {
	Port        string  `json:"port"`
	Label       string  `json:"label"`
	DistanceMM  float64 `json:"distance_mm"`
	DistanceUMM float64 `json:"distance_u_mm"`
	// Tilt of the target's plane against the unit, where it was given on purpose.
	TiltXDeg float64 `json:"tilt_x_deg"`
	TiltYDeg float64 `json:"tilt_y_deg"`
}

// sitting is what one unit is measured at, in the list's order.
type sitting struct {
	port, label string
	lines       []line
}

func readList(name string, in io.Reader) ([]sitting, error) {
	var all []sitting
	err := batch.EachUnit(name, in, func(n int, text []byte) error {
		var l line
		bad := func(why string) error {
			return fmt.Errorf("line %d: %s; a line is {\"port\":\"…\",\"label\":\"…\",\"distance_mm\":300,\"distance_u_mm\":0.15}", n, why)
		}
		if err := json.Unmarshal(text, &l); err != nil {
			return bad(err.Error())
		}
		switch {
		case l.Port == "" || l.Label == "":
			return bad("port or label is missing")
		case !(l.DistanceMM > 0) || math.IsInf(l.DistanceMM, 0):
			return bad("distance_mm is missing or not above 0")
		case !(l.DistanceUMM > 0) || math.IsInf(l.DistanceUMM, 0):
			return bad("distance_u_mm is missing or not above 0: a distance is known no better than its certificate says")
		case math.Abs(l.TiltXDeg) > 45 || math.Abs(l.TiltYDeg) > 45:
			return bad("tilts are within 45 degrees")
		}
		at := -1
		for i, s := range all {
			if (s.label == l.Label) != (s.port == l.Port) {
				return bad(fmt.Sprintf("port %s and label %s stand on other lines apart: a label belongs to one unit, a port to one unit", l.Port, l.Label))
			}
			if s.label == l.Label {
				at = i
			}
		}
		if at < 0 {
			at = len(all)
			all = append(all, sitting{port: l.Port, label: l.Label})
		}
		all[at].lines = append(all[at].lines, l)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if len(all) == 0 {
		return nil, cli.UsageError(fmt.Errorf("the list of units %s is empty", name))
	}
	return all, nil
}
