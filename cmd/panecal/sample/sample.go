// Package sample holds the released files of the demonstration: an invented
// plant that builds fill-level sensors for animal-feed silos. Read them with
// the packages limits and station/product; `init` copies them for a start of
// one's own. It is data only.
package sample

import "embed"

// Files holds hopper-54.product.toml, hopper-54.limits.toml, the same of
// hopper-1, and station.sheet.toml.
//
//go:embed *.toml
var Files embed.FS
