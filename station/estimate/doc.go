// Package estimate is the measurement model: it turns a unit's captures into
// leakage, offset and their uncertainties.
package estimate
