// Package browse is the command `browse`: the analyst's pages over a log, as the
// screen draws them. It reads through the commands that answer the same questions,
// and changes nothing; a dossier is the one file that it writes, where it is asked to.
package browse
