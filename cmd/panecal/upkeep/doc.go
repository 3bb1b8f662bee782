// Package upkeep is what a station does about its own log beside the attempts:
// it puts each start on record, holds the computer's clock against the log, reads
// the log over while nothing else is to be done, and removes raw captures that
// need not be kept any more.
//
// It is not for the log's own promises, which package store keeps. One goroutine
// serves a [Keeper]; what it finds goes on record and to the people at the
// station.
package upkeep
