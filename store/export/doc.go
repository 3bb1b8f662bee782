// Package export writes attempts as tables for other programs: a row an
// attempt, or a row a zone of each, as CSV (RFC 4180, but lines end in LF), as JSON
// Lines or as Parquet, into one file or into a folder with a folder a day. It holds
// one row at a time, of Parquet one group of rows. It does not choose attempts:
// package store does.
//
// Columns are the same in all forms, in the same order, and new ones come at
// the end. What a column holds:
//
//   - time is when the attempt was recorded, UTC (RFC 3339).
//   - disposition is the attempt's own verdict. released says whether it still
//     holds; see [store.Reader.Attempts].
//   - soft_bin and hard_bin are numbers; limits is the revision in force.
//   - NAME and NAME_u are a quantity and its standard uncertainty. A quantity with
//     zones also has NAME_high0 to NAME_high3, the largest value + k·u over the
//     zones for k = 0 to 3, and NAME_low0 to NAME_low3, the smallest value − k·u.
//
// A row of the table of zones begins as that of its attempt does, up to the quantities.
// Then come:
//
//   - row and column of the zone, from 0; row 0 is the top.
//   - NAME and NAME_u, for each quantity that every zone has.
//   - range_mm, offset_mm and their _u: the station's radial distance and offset of
//     the zone; leakage_distance_mm; ambient_bin, the ambient light a bin of the empty
//     field; flags, such as dead or hot, with a space between two.
//
// In Parquet a number that is not known or not finite, and an empty text, are null;
// whole numbers have 64 bits, times are nanoseconds UTC, and the units (UCUM codes)
// stand in the metadata under panecal.units, a JSON object by column.
//
// In the two others numbers have the fewest digits that read back to the same number.
// One that is not known or not finite is empty in CSV and null in JSON.
//
// Text in a record may come from a label or a unit. What a terminal would act
// upon is made visible: <1B> in CSV, as `panecal unit` shows it, and \u001b in JSON,
// which reads back as it was. In CSV a text that begins with = + - or @ gets an
// apostrophe before it, so that no spreadsheet takes it for a formula.
package export
