// Package estimate is the measurement model: from a unit's raw captures, of
// the empty field and of a flat target at a known distance, it computes
// leakage, offset and everything that limits can bound, each with a standard
// uncertainty, tells bad captures from bad units, and gives the constants to
// store, the error left after writing and the error to expect later.
//
// It does not talk to a unit, judge by limits, or know what a nest is. It is
// pure and deterministic: no clock, no randomness, no files.
//
// Units: mm, ps, degrees (rad for slopes and directions), Cel; rates are
// photons per shot (per bin where said), after pile-up is undone. A number
// that was not measured is NaN. Distance is c·τ/2 with c = 299.792458 mm/ns.
//
// An [Estimator] never changes and may be used by several goroutines; results
// belong to the caller and are never changed afterwards. Captures are not
// kept, but for the empty one's counts, which are copied. Errors wrap
// [ErrSetup] or [ErrCapture]; what is wrong with a field
// of view, a target or a unit is no error but a [Fault] or a flag.
//
// # Model
//
// First-photon units are undone after Coates before anything else, for start
// values; their likelihood is binomial on the shots still at risk. The empty
// capture's bin b has the rate m[b], leakage and ambient together, unknown bin
// by bin; the target capture's has
//
//	S·pulse[b](τ) + A + g·m[b]
//
// with signal S, delay τ, and g the change of the leakage between the
// captures, 1 ± the product's prior. Both captures are fitted jointly by
// maximum likelihood: the m[b] are profiled out in closed form, bins that no
// return reaches are merged, and the rest is found by scoring steps from
// several starts. The uncertainty is that of the Fisher matrix, leakage in
// each bin unknown, which is the joint Cramér-Rao bound; the accuracy tests
// hold errors against it. The noise of the leakage is in it and does not
// average down over frames.
//
// # Measurands
//
// Over zones: without the flagged ones, means unweighted. u by line of
// derivation: counts (Poisson, or binomial for first-photon units), and where
// said the offset's budget.
//
//	leakage.max           {count}/{shot}  a zone: sum over the bins wholly inside the leakage window, less ambient;
//	                                      u: counts of those bins and of the ambient
//	leakage.total         {count}/{shot}  sum of the zones' leakage; u: root of squares
//	leakage.x_balance     1               (right − left)/(right + left) of the halves' mean leakage, middle column left out
//	leakage.y_balance     1               (top − bottom)/(top + bottom), row 0 on top, middle row left out
//	leakage.late          1               share of all zones' leakage later than its own peak by a full width at half maximum
//	leakage.distance      mm              mean of the zones' c/2 × most likely delay of the product's pulse in the empty capture
//	leakage.change        1               g, all zones and one prior; u: both; 1 with u 0 where the product fixes it
//	pulse.width           ps              full width at half maximum of the unit's pulse: the product's, times the one stretch
//	                                      that fits the leakage of all zones
//	pulse.misfit          1               root of (Σ residual² − noise)/Σ leakage²: share of the leakage's shape that the
//	                                      product's pulse does not explain
//	ambient.max           {count}/{shot}  a zone: per bin, empty capture, from the bins that the leakage does not reach
//	stray.significance    1               largest match of the pulse with what ambient and one pulse leave of the empty
//	                                      capture, as a normal deviate of the same chance; u 1
//	rate.max              {count}/{shot}  a zone: counts as counted in all bins, the larger of both captures
//	target.misfit         1               largest chi-square of the target capture over what noise and allowances give, of one
//	                                      zone or of all together; 1 = fits
//	zones.misfit          {zone}          zones that hold more than one return, or see another distance than the plane
//	zones.no_signal       {zone}          zones that see no target
//	offset.mean           mm              mean of measured − expected radial distance, referred to the product's temperature,
//	                                      tilt not taken off; u: budget, common lines added linearly
//	offset.spread         mm              sd (n − 1) of the zones' offsets after the tilt fit; u: s/√(2(n − 1))
//	offset.uncertainty    mm              u of what is stored: of offset.mean, of the worst zone where one is stored per zone
//	signal.min            {count}/{shot}  a zone: signal, photons per shot in the whole pulse; the smallest of them is the value
//	signal.ratio          1               smallest over largest signal
//	seat.tilt             deg             atan of the slope of the target plane fitted to the ranges, distance as stated;
//	                                      u: ranges and the zones' scatter about the plane
//	estimator.difference  mm              mean of the unit's own range − ours, its leakage un-mixed
//	verify.error          mm              a zone: range with the stored constants − expected, where the offset was measured;
//	                                      u: the verify capture's own (a wrong distance cancels)
//	verify.error_far      mm              the same at another distance; u: and the distance's
//	range.error_projected mm              largest over the working distances of the zones' mean error that the stated change of
//	                                      leakage would cause with the constants stored; no u
//	temperature           Cel             as the unit reports it, of the latest capture
//	zones.dead zones.hot  {zone}          zones without counts; zones with more than 20 times the median ambient
//
// Per zone also: range_mm and u from both captures and the prior of g alone;
// offset u with the whole budget ([Offsets.ZoneBudget]); signal, photons per
// shot in the whole pulse.
//
// # Budget
//
// Lines of an offset, and whether a mean over zones adds them linearly:
// counting (no), leakage (no), leakage change (yes, and the excess between
// frames that was let pass is in it), target distance (yes), direction
// (yes), zone mean (yes: how the signal is spread over a zone),
// temperature (yes), pulse shape (yes: stated, and what the unit's width does
// to the fit: the product's allowance combined with what the empty capture
// shows), bin widths (yes), bin edges (yes: widths that add up along the
// axis), time base (yes: relative u of the clock times the range), multipath
// (yes), unseen return (yes: a second return at the delay at which it does most,
// as strong as the product says one may be or as the captures would not show,
// whichever is less, equally likely at any strength below) and quantisation (yes). So u(offset.mean) is never below the target
// distance's u.
//
// Of a u, the part [quantity.Value.Common] is alike for all units of a nest or
// a product: in offset.mean the lines target distance, direction, zone mean,
// multipath and unseen return and the temperature's coefficient; in verify.error_far the
// distance. All other u vary from unit to unit.
package estimate
