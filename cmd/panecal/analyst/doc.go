// Package analyst is the commands of who has one unit on the bench that came back:
// its raw captures, the numbers computed again, and what goes into the report.
// They read a log and write only the files that they are asked for. A command gets
// the log from a function, so that it knows nothing of where stores are.
package analyst
