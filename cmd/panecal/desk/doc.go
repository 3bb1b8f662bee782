// Package desk is the commands of who works with the log away from the line,
// and the flags by which all of them choose attempts. A command gets the log
// from a function, so that it knows nothing of where stores are.
package desk
