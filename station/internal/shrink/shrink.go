// Package shrink makes what fails a test short: of many parts it finds a few
// that fail by themselves. It is for the long random tests of this folder.
package shrink

import "slices"

// Places finds a short list of the n places 0 to n-1 for which fails still
// reports true, by leaving out ever smaller parts. It asks at most budget
// times.
func Places(n, budget int, fails func([]int) bool) []int {
	places := make([]int, n)
	for i := range places {
		places[i] = i
	}
	for part := (n + 1) / 2; part >= 1; part /= 2 {
		for again := true; again; {
			again = false
			for at := 0; at < len(places); {
				without := slices.Delete(slices.Clone(places), at, min(at+part, len(places)))
				if budget--; budget < 0 {
					return places
				}
				if fails(without) {
					places, again = without, true
				} else {
					at += part
				}
			}
			again = again && part == 1
		}
	}
	return places
}
