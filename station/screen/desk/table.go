package desk

import (
	"github.com/charmbracelet/bubbles/table"
)

// table makes a table that has the keys.
func (p paint) table(columns []table.Column, rows []table.Row, cursor, width, height int) table.Model {
	cell := p.renderer.NewStyle().PaddingRight(1)
	t := table.New(table.WithColumns(columns), table.WithRows(rows), table.WithFocused(true), table.WithWidth(width), table.WithHeight(height),
		table.WithStyles(table.Styles{Header: cell.Bold(true), Cell: cell, Selected: p.renderer.NewStyle().Bold(true)}))
	t.SetCursor(cursor)
	return t
}
