// Package papers is the released files that a station works by, and the people
// whose signature puts them in force.
//
// A [List] names the files; reading it gives a [Catalogue], sets of product,
// limits and station sheet that belong together. Which set a unit is worked by
// is decided by its label and by nobody else. [People] are read from a file of
// public keys. Making and signing files is not done here: package
// limits/release holds the rules, the program's commands do it.
//
// A bad file refuses the whole list, and its error says how to mend it. Nothing
// is kept but what is read; a Catalogue is not changed after it was read and
// may be shared.
package papers
