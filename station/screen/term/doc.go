// Package term holds what a terminal screen of this project needs and no
// general library gives: letters that can be read at two metres, a palette
// that survives colour-blind eyes and colourless terminals, text cleaned for
// display, and an input that tells the bytes of a scanner from the keys of a
// person.
//
// It knows nothing about stations, units or verdicts, draws no screen and
// keeps no state but that of an Input. Sizes are terminal cells (columns,
// rows). Values are plain and may be used from several goroutines; an Input
// belongs to the one goroutine that reads it. Nothing here panics on data;
// errors are those of the terminal underneath.
//
// # Start-up
//
// The terminal library asks the terminal for its background colour while the
// process initialises and waits five seconds for one that does not answer.
// This package answers in the terminal's place, in the only init of the
// project. For that it must be initialised before the terminal library: it
// imports nothing that the styling library does not import itself, and its
// import path sorts before "github.com/" (the language specification, since
// Go 1.21: of the packages that are ready, the first by path goes first).
package term
