package roster

// Role is what a person may do.
type Role string

// The roles.
const (
	Operator    Role = "operator"    // works at the station
	Lead        Role = "lead"        // lifts stops, allows a shift without training, decides on holds
	Maintenance Role = "maintenance" // lifts stops of the fixture
	Engineer    Role = "engineer"    // writes and approves released files
	Analyst     Role = "analyst"     // reads
)

// Roles returns all of them.
func Roles() []Role { return []Role{Operator, Lead, Maintenance, Engineer, Analyst} }
