package survey

import (
	"encoding/json"
	"strings"
	"time"

	"github.com/paulmach/orb"
)

// Role says how a layer takes part in the computation.
type Role string

const (
	RoleCrest     Role = "bank crest"
	RoleToe       Role = "bank toe"
	RoleWater     Role = "water"
	RoleRoad      Role = "road"
	RoleBuried    Role = "buried utility"
	RoleOverhead  Role = "overhead line"
	RoleParcel    Role = "parcel"
	RoleBuilding  Role = "building"
	RoleAccess    Role = "access"
	RoleElevation Role = "elevation"
	RoleOther     Role = "other"
)

// Roles lists every role.
var Roles = []Role{RoleCrest, RoleToe, RoleWater, RoleRoad, RoleBuried, RoleOverhead, RoleParcel, RoleBuilding, RoleAccess, RoleElevation, RoleOther}

// Layer is an imported GIS data set.
type Layer struct {
	ID         string         `json:"id"` // lower-case letters, digits and hyphens; used in addresses
	Title      string         `json:"title"`
	Role       Role           `json:"role"`
	SourceFile string         `json:"source_file,omitempty"`
	SourceCRS  string         `json:"source_crs,omitempty"`
	LoadedAt   time.Time      `json:"loaded_at"`
	LoadedBy   string         `json:"loaded_by,omitempty"`
	Features   int            `json:"features"`
	Refused    int            `json:"refused"`
	Licence    string         `json:"licence,omitempty"`
	AsOf       Opt[time.Time] `json:"as_of,omitzero"` // the date the data describe
	// HeightUnitM is the length in metres of one unit of an elevation layer's
	// heights, when its file does not say.
	HeightUnitM Opt[float64] `json:"height_unit_m,omitzero"`
	// SHA256 is of what the layer holds, as the store says; it is set there.
	SHA256 string `json:"sha256,omitempty"`
}

// Validate lists what cannot be stored.
func (l Layer) Validate() error {
	var c checker
	if l.ID == "" || !plainID(l.ID) {
		c.add("/id", "%q is no layer id: use lower-case letters, digits and hyphens", l.ID)
	}
	if l.ID == "sites" || l.ID == "points" {
		c.add("/id", "%q is taken by the survey itself", l.ID)
	}
	if l.Title == "" {
		c.add("/title", "is missing")
	}
	if l.Role == "" {
		c.add("/role", "is missing: say how the layer takes part")
	}
	oneOf(&c, "/role", l.Role, Roles)
	return c.err()
}

// Describe returns the layer with the title, role, date and licence of another.
// What it holds, where that came from and its id stay as they are. A grid of
// heights takes part as elevation and as nothing else, and nothing else does.
func (l Layer) Describe(as Layer) (Layer, error) {
	if (l.Role == RoleElevation) != (as.Role == RoleElevation) {
		return l, Invalid("/role", "%s cannot become %s: elevation is a grid of heights, everything else is shapes", l.Role, as.Role)
	}
	l.Title, l.Role, l.AsOf, l.Licence = as.Title, as.Role, as.AsOf, as.Licence
	return l, l.Validate()
}

// LayerID makes the id that a layer has in addresses from its title: "" when
// the title has no Latin letter or digit.
func LayerID(title string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(title) {
		switch {
		case b.Len() == 64:
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
	}
	return strings.TrimSuffix(b.String(), "-")
}

func plainID(s string) bool {
	if len(s) > 64 {
		return false
	}
	for _, r := range s {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' {
			return false
		}
	}
	return true
}

// LayerFeature is one feature of a layer, with what the engine must say of
// the layer when it uses the feature.
type LayerFeature struct {
	Layer      string // title of the layer
	LayerID    string
	Role       Role
	AsOf       Opt[time.Time]
	ID         string
	Geometry   orb.Geometry // lon/lat WGS 84
	Heights    []float64    // metres, one per position; nil when none
	Properties json.RawMessage
}
