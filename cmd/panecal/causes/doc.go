// Package causes is `panecal cause`: what is probably wrong with a unit of the
// log, and how well such calls are right on simulated units.
package causes
