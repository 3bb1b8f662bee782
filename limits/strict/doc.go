// Package strict reads TOML files whose mistakes must not pass: every key is
// one the reader knows, spelt exactly so, every value has the kind that the
// key wants, and a number is a number (no nan, no inf). Each mistake is a
// [Fault] with file, line, column, what is wrong and how to mend it; all the
// mistakes that can be seen at once are reported at once.
//
// It does not know what the files mean. A reader of one kind of file decodes
// with [Decode], looks at the values, reports what it finds with
// [Document.Report] and ends with [Document.Err].
//
// Lines and columns count from 1; columns count characters, not bytes. A
// Document belongs to the goroutine that reads with it.
package strict
