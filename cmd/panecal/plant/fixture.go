package plant

import (
	"context"
	"fmt"
	"net"
	"time"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/fixture"
)

// slide is how long the simulated fixture's target takes.
const slide = 300 * time.Millisecond

// FixtureFor puts a simulated fixture beside a unit, which stays seated in it, and
// returns where it listens until ctx ends.
func FixtureFor(ctx context.Context, u *simunit.Unit) (address string, err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", fmt.Errorf("simulating a fixture: %w", err)
	}
	f := fixture.NewSimulated()
	f.Takes = slide
	f.Targets = func(to station.Position) {
		switch to {
		case station.TargetNear:
			u.SetScene(simunit.Scene{TargetMM: TargetMM, Reflectance: Reflectance})
		case station.TargetFar:
			u.SetScene(simunit.Scene{TargetMM: FarMM, Reflectance: Reflectance})
		default:
			u.SetScene(simunit.Scene{})
		}
	}
	f.Powered = func(on bool) {
		if on {
			u.Seat(simunit.Seating{})
			return
		}
		u.TakeOut()
	}
	u.Seat(simunit.Seating{})
	go func() { _ = f.Serve(ctx, l) }() // ends with ctx
	return l.Addr().String(), nil
}

// FarMM is the second distance of simulated fixtures.
const FarMM = 600
