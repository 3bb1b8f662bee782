package simunit

import (
	"fmt"
	"testing"
)

func BenchmarkExpose54x96(b *testing.B) {
	for _, fp := range []bool{false, true} {
		m := Hopper54()
		m.FirstPhoton = fp
		bo, err := newBody(m, 1)
		if err != nil {
			b.Fatal(err)
		}
		l := bo.shine(Scene{TargetMM: 300, Reflectance: .5}, bo.newSeat(1, 0, 0, 0, 0))
		fmt.Println(l.leakage[0], l.leakage[53], l.near[0], l.signal[0], l.signal[26], l.radial[0], bo.model.Pulse.FWHM(), bo.pulse.mean)
		counts := make([]uint32, 54*96)
		totals := make([]uint32, 54)
		r := stream(1, streamPhotons, 1)
		b.Run(fmt.Sprint(fp), func(b *testing.B) {
			for b.Loop() {
				bo.expose(l, 1, 200000, 1<<32-1, counts, totals, r)
			}
		})
		b.Run(fmt.Sprint("4M ", fp), func(b *testing.B) {
			for b.Loop() {
				bo.expose(l, 1, 4000000, 1<<32-1, counts, totals, r)
			}
		})
		b.Run("shine", func(b *testing.B) {
			for b.Loop() {
				bo.shine(Scene{TargetMM: 300, Reflectance: .5}, bo.newSeat(1, 0, 0, 0, 0))
			}
		})
	}
}
