// Package window is the forward optics of the window in front of an optical
// ranging unit: how much of the emitter's light the window throws straight
// into the receiver, after what path, and what the window does to the light
// that passes.
//
// It serves two users: the simulated unit, which needs leakage that follows
// from geometry, and the search for causes, which asks what geometry would
// explain a leakage. It estimates nothing from counts and knows no zones: the
// share of the light at the receiver's aperture that reaches a zone is the
// receiver's stray acceptance, a free parameter of whoever asks.
//
// Geometry: emitter at (0, 0) and receiver at (baseline, 0) on the module's
// top, a plane-parallel plate above them. Lengths in mm, angles in degrees,
// wavelengths in micrometres, delays in ps; powers are fractions of the
// emitted power. The phase index bends rays, the group index sets times.
//
// Everything is a plain value and every function pure; safe for concurrent
// use. Results are finite for finite, positive geometry; a path that does not
// exist is said so, never returned as NaN.
package window

import "math"

// SpeedMMPerNS is the speed of light in vacuum, exact (SI).
const SpeedMMPerNS = 299.792458

func radians(deg float64) float64 { return deg * math.Pi / 180 }
func degrees(rad float64) float64 { return rad * 180 / math.Pi }
