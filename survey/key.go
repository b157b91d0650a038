package survey

import "time"

// KeyKind is what someone is let in by.
type KeyKind string

const (
	Session KeyKind = "session" // a browser after signing in with a password
	Device  KeyKind = "device"  // a field device after using its link
	Station KeyKind = "station" // a wall screen, by a link that only reads
	Token   KeyKind = "token"   // a program, over the open API
	Link    KeyKind = "link"    // a link not used yet: it makes one Device
)

// KeyKinds lists the kinds of key.
var KeyKinds = []KeyKind{Session, Device, Station, Token, Link}

// How long keys last. A session ends when it has been idle, too.
const (
	SessionLast = 7 * 24 * time.Hour
	SessionIdle = 12 * time.Hour
	LinkLast    = 24 * time.Hour
	KeyLongest  = 400 * 24 * time.Hour // for everything else, the longest that may be asked for
)

// Key is what lets a person's browser, device or program in. What it is
// proved with is random and not part of it.
type Key struct {
	ID       string         `json:"id"`
	Kind     KeyKind        `json:"kind"`
	Person   string         `json:"person"` // id of whose it is
	Name     string         `json:"name"`   // the device, or what it is for
	Role     PersonRole     `json:"role,omitempty"`
	ReadOnly bool           `json:"read_only,omitempty"`
	Days     int            `json:"days,omitempty"` // of a link: how long the device it makes stays signed in
	MadeAt   time.Time      `json:"made_at"`
	UsedAt   Opt[time.Time] `json:"used_at,omitzero"`
	Expires  time.Time      `json:"expires"`
}

// Leave is what the key allows: never more than its person may do now, and no
// more than its role where it has one.
func (k Key) Leave(p Person) Leave {
	l := p.Leave()
	if k.Role != "" {
		l &= k.Role.Leave()
	}
	if k.ReadOnly {
		l = l.ReadOnly()
	}
	return l
}

// Live tells whether the key still lets anybody in.
func (k Key) Live(now time.Time) bool {
	if !now.Before(k.Expires) {
		return false
	}
	used, known := k.UsedAt.Get()
	if !known {
		used = k.MadeAt
	}
	return k.Kind != Session || now.Sub(used) < SessionIdle
}

// Check says why a person may not have such a key made at a time.
func (k Key) Check(p Person, now time.Time) error {
	var c checker
	if k.Name == "" {
		c.add("/name", "is missing: say which device or what for, so that it is known in the list")
	}
	c.text("/name", k.Name, 200)
	oneOf(&c, "/kind", k.Kind, KeyKinds)
	oneOf(&c, "/role", k.Role, PersonRoles)
	switch {
	case !k.Expires.After(now):
		c.add("/days", "is over already")
	case k.Expires.Sub(now) > KeyLongest:
		c.add("/days", "is more than %d days ahead", int(KeyLongest.Hours()/24))
	}
	switch want := k.Role.Leave(); {
	case p.Closed.Known():
		c.add("/person", "%s has no open account", p.Name)
	case k.Role == "" && k.Kind != Session:
		c.add("/role", "is missing: choose the least that does")
	case !p.Leave().Has(want):
		c.add("/role", "%s would allow more than %s may do: %s", k.Role, p.Name, want&^p.Leave())
	}
	return c.err()
}
