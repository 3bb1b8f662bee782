// Package study works out the statistics that a test engineer asks of a
// process and of the station that measures it: summaries, analysis of
// variance, gauge studies, capability, tolerance intervals, control charts,
// risks of wrong decisions, proportions and sequential tests. Numbers come
// from a CSV [Table] or from the caller.
//
// It plans and computes; it measures nothing, keeps nothing and draws nothing.
//
// A standard deviation has n − 1. Values carry the unit of the sample, and so
// do the results that are made of it; the package does not know the unit. A
// result that is not defined, such as the spread of one value, is NaN, and
// null in JSON. Every result is one JSON object with the schema [Schema].
//
// Sums are compensated and taken over distances from the first value of a
// sample. A [Sample] that was read from text has those distances from the
// decimal digits, so that thirteen equal leading digits cost nothing.
//
// Functions are pure and safe for concurrent use. An error says what cannot
// be worked out from such data, and how to mend it.
package study

// Schema names the form of every result as JSON.
const Schema = "panecal.study/1"

// Head begins every result.
type Head struct {
	Schema string `json:"schema"` // Schema
	Kind   string `json:"kind"`   // which of the studies
}

func head(kind string) Head { return Head{Schema, kind} }
