package study

import "math"

// nelson gives for each point, in standard deviations from the centre, the
// tests that it completes. A point on a line lies neither beyond nor on a
// side. Undefined distances complete nothing.
func nelson(z []float64) [][]int {
	found := make([][]int, len(z))
	for i := range z {
		for test, completed := range []func([]float64) bool{
			1: func(z []float64) bool { return beyond(z, 1, 1, 3) },
			2: func(z []float64) bool { return beyond(z, 9, 9, 0) },
			3: steady,
			4: alternating,
			5: func(z []float64) bool { return beyond(z, 2, 3, 2) },
			6: func(z []float64) bool { return beyond(z, 4, 5, 1) },
			7: func(z []float64) bool { return all(z, 15, func(d float64) bool { return d < 1 }) },
			8: func(z []float64) bool { return all(z, 8, func(d float64) bool { return d > 1 }) },
		} {
			if completed != nil && completed(z[:i+1]) {
				found[i] = append(found[i], test)
			}
		}
	}
	return found
}

// beyond: the last point and so many of the last few lie more than limit off
// the centre, on one side.
func beyond(z []float64, many, of int, limit float64) bool {
	last := z[len(z)-1]
	if !(math.Abs(last) > limit) {
		return false
	}
	n := 0
	for _, v := range z[max(0, len(z)-of):] {
		if v*math.Copysign(1, last) > limit {
			n++
		}
	}
	return n >= many
}

// steady: six points that only rise or only fall.
func steady(z []float64) bool {
	const n = 6
	if len(z) < n {
		return false
	}
	z = z[len(z)-n:]
	up, down := 0, 0
	for i := 1; i < n; i++ {
		if z[i] > z[i-1] {
			up++
		}
		if z[i] < z[i-1] {
			down++
		}
	}
	return up == n-1 || down == n-1
}

// alternating: fourteen points that rise and fall in turn.
func alternating(z []float64) bool {
	const n = 14
	if len(z) < n {
		return false
	}
	z = z[len(z)-n:]
	for i := 2; i < n; i++ {
		if !((z[i]-z[i-1])*(z[i-1]-z[i-2]) < 0) {
			return false
		}
	}
	return true
}

// all: the last n points are so far off the centre, on either side.
func all(z []float64, n int, off func(distance float64) bool) bool {
	if len(z) < n {
		return false
	}
	for _, v := range z[len(z)-n:] {
		if !off(math.Abs(v)) {
			return false
		}
	}
	return true
}
