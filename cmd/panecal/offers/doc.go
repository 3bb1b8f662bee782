// Package offers says what the shell offers where a word of a command line is
// being typed: serials that the log knows, nests, products, purposes, quantities,
// languages, files and folders.
//
// What is offered follows from the names of arguments and flags in the commands
// themselves, so that a new command has it by naming them as the others do. A
// command that knows better registers its own.
//
// Serials come from the newest records and from the log's index, and only as far
// as two seconds go: a shell that waits is worse than one that offers nothing. No
// error and no panic ever reaches the shell.
package offers
