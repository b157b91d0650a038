package survey

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
)

// PersonRole is what a person does in the department. A person may have several.
type PersonRole string

const (
	Viewer   PersonRole = "viewer"   // reads, as at a station or in the command vehicle
	Surveyor PersonRole = "surveyor" // records sites and points
	GIS      PersonRole = "gis"      // brings in layers
	Lead     PersonRole = "lead"     // answers for the figures: ratings, sign-off
	Admin    PersonRole = "admin"    // keeps accounts and the atlas, judges no ground
)

// PersonRoles lists the roles, the one with the least leave first.
var PersonRoles = []PersonRole{Viewer, Surveyor, GIS, Lead, Admin}

// Leave is a set of things that someone may do. The zero value is nothing.
type Leave uint16

const (
	Look     Leave = 1 << iota // read the atlas: map, answers, sheets, open data
	Contacts                   // see contacts and the ticket numbers of locates
	Record                     // add and change sites, points, photos and pull tests
	Remove                     // take sites and points out
	Load                       // bring in, replace and take out layers
	Rate                       // change the policy: ratings, factors, load cases
	SignOff                    // review sites and sign them off
	Keep                       // accounts, devices, audit, backups

	EveryLeave = Look | Contacts | Record | Remove | Load | Rate | SignOff | Keep
)

// reading is the leave that changes nothing.
const reading = Look | Contacts

// leaves is the table of least privilege: who needs no more for the work gets
// no more.
var leaves = map[PersonRole]Leave{
	Viewer:   Look,
	Surveyor: Look | Contacts | Record,
	GIS:      Look | Load,
	Lead:     Look | Contacts | Record | Remove | Rate | SignOff,
	Admin:    Look | Keep,
}

// Leave is what the role may do; an unknown role may do nothing.
func (r PersonRole) Leave() Leave { return leaves[r] }

// Has tells whether everything in want is in the set.
func (l Leave) Has(want Leave) bool { return l&want == want }

// ReadOnly is the part of the set that changes nothing.
func (l Leave) ReadOnly() Leave { return l & reading }

// leaveWords say what each leave is for, in the order of their bits.
var leaveWords = []string{
	"read the atlas", "see contacts and ticket numbers", "record sites and points", "take sites and points out",
	"bring in layers", "change ratings and policy", "sign sites off", "keep accounts",
}

// String says in words what the set allows; "nothing" when it is empty.
func (l Leave) String() string {
	var out []string
	for i, words := range leaveWords {
		if l&(1<<i) != 0 {
			out = append(out, words)
		}
	}
	if out == nil {
		return "nothing"
	}
	return strings.Join(out, ", ")
}

// Who lists the roles that have everything in the set.
func (l Leave) Who() []PersonRole {
	return slices.DeleteFunc(slices.Clone(PersonRoles), func(r PersonRole) bool { return !r.Leave().Has(l) })
}

// Person is someone with an account. People are never deleted, since the
// history names them; an account is closed instead.
type Person struct {
	ID       string         `json:"id"`
	Name     string         `json:"name"` // to sign in with, and shown beside what they did
	Roles    []PersonRole   `json:"roles"`
	Contacts bool           `json:"contacts,omitempty"` // may see contacts whatever the roles
	Closed   Opt[time.Time] `json:"closed,omitzero"`    // since when the account is closed
}

// Leave is all that the person may do; nothing once the account is closed.
func (p Person) Leave() Leave {
	var l Leave
	if p.Closed.Known() {
		return l
	}
	for _, r := range p.Roles {
		l |= r.Leave()
	}
	if p.Contacts && l.Has(Look) {
		l |= Contacts
	}
	return l
}

// reserved are names that the history gives to no person.
var reserved = []string{"not signed in", "nobody", "holdfast", Hidden}

// Validate lists everything about the person that cannot be stored.
func (p Person) Validate() error {
	var c checker
	switch name := p.Name; {
	case strings.TrimSpace(name) == "":
		c.add("/name", "is missing: give the name that is to stand beside what this person does")
	case name != strings.Join(strings.Fields(name), " ") || strings.ContainsFunc(name, unicode.IsControl):
		c.add("/name", "has spaces that are not between words, or characters that cannot be seen")
	case slices.Contains(reserved, strings.ToLower(name)):
		c.add("/name", "%q is what the atlas itself writes; give another name", name)
	}
	c.text("/name", p.Name, 80)
	if len(p.Roles) == 0 {
		c.add("/roles", "is missing: choose at least one of %s", roleList())
	}
	for i, r := range p.Roles {
		switch {
		case !slices.Contains(PersonRoles, r):
			c.add(fmt.Sprintf("/roles/%d", i), "%q is not a role; there are %s", r, roleList())
		case slices.Index(p.Roles, r) < i:
			c.add(fmt.Sprintf("/roles/%d", i), "%q is given twice", r)
		}
	}
	return c.err()
}

func roleList() string {
	out := make([]string, len(PersonRoles))
	for i, r := range PersonRoles {
		out[i] = string(r)
	}
	return strings.Join(out, ", ")
}

// Hidden stands in the place of what someone may not see, so that nobody takes
// it for "none".
const Hidden = "hidden"

// Discreet returns the site without its contacts. Where there are some, one
// that says Hidden stands for them.
func (s Site) Discreet() Site {
	if len(s.Contacts) > 0 {
		s.Contacts = []Contact{{Who: Hidden}}
	}
	return s
}

// Discreet returns the point without the ticket number of its locate.
func (p Point) Discreet() Point {
	if p.BuriedUtilities.Ticket != "" {
		p.BuriedUtilities.Ticket = Hidden
	}
	return p
}

// Sensitive tells whether a property of a site or point, led into by dots, is
// one that Discreet hides.
func Sensitive(property string) bool {
	return property == "contacts" || strings.HasPrefix(property, "contacts.") || property == "buried_utilities.ticket"
}
