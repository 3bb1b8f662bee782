// Package figure draws what a unit measured, as text for a terminal and as SVG
// for a page: a map of one number a zone ([ZoneMap]), and one zone's histogram
// with what was fitted to it ([Histogram]).
//
// It measures and judges nothing, and reads no files. Every picture says its
// numbers in words too: cells carry their value, an SVG has a title and a
// description, is readable in grey, takes its letters from the page, needs no
// script and no other file, and has no id, so that several stand in one page.
// Text is plain characters without colour; names and titles are shown as
// package visible shows them.
//
// Values carry the unit that the caller names. A number that is not finite was
// not measured. Everything is a plain value; safe for concurrent use.
package figure
