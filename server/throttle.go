package server

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// throttle slows down who guesses: after a few free tries, each further one
// waits twice as long as the one before. A try counts when it begins, so that
// many at once do not all go free.
type throttle struct {
	now func() time.Time

	mu    sync.Mutex
	tries map[string]*tries
}

type tries struct {
	count int
	until time.Time // no try before
	last  time.Time
}

// allowance is how many tries are free and how long one waits at most.
type allowance struct {
	free int
	most time.Duration
}

// What is counted at a sign-in: an account from one address, an address
// whatever the account, and an account whatever the address. The last waits
// but shortly, or anybody could keep its owner out.
var (
	perAccountHere = allowance{free: 5, most: 15 * time.Minute}
	perAddress     = allowance{free: 20, most: 15 * time.Minute}
	perAccount     = allowance{free: 40, most: time.Minute}
)

const (
	triesForgotten = 24 * time.Hour // after the last
	triesKept      = 20_000         // names and addresses, some 3 MB
)

// counted is a thing whose tries are counted.
type counted struct {
	name string
	allowance
}

// begin counts a try of each thing, or says how long to wait. Nothing is
// counted while one has to wait.
func (t *throttle) begin(things ...counted) (wait time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := t.now()
	for _, c := range things {
		if one := t.tries[c.name]; one != nil && now.Sub(one.last) < triesForgotten {
			wait = max(wait, one.until.Sub(now))
		}
	}
	if wait > 0 {
		return wait
	}
	for _, c := range things {
		one := t.tries[c.name]
		if one == nil || now.Sub(one.last) >= triesForgotten {
			one = t.add(c.name, now)
		}
		one.count++
		one.last = now
		if over := one.count - c.free; over >= 0 {
			one.until = now.Add(min(c.most, time.Second<<min(over, 20)))
		}
	}
	return 0
}

// add makes room where there is none: the oldest of some goes.
func (t *throttle) add(name string, now time.Time) *tries {
	if t.tries == nil {
		t.tries = make(map[string]*tries)
	}
	if len(t.tries) >= triesKept {
		oldest, looked := "", 0
		for n, one := range t.tries { // in no order
			if oldest == "" || one.last.Before(t.tries[oldest].last) {
				oldest = n
			}
			if looked++; looked == 100 {
				break
			}
		}
		delete(t.tries, oldest)
	}
	one := &tries{last: now}
	t.tries[name] = one
	return one
}

// succeeded forgets the tries of things, and takes back the last of others.
func (t *throttle) succeeded(forget []counted, takeBack ...counted) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, c := range forget {
		delete(t.tries, c.name)
	}
	for _, c := range takeBack {
		if one := t.tries[c.name]; one != nil {
			one.count--
			one.until = time.Time{}
		}
	}
}

// failures is how many tries of a thing have failed.
func (t *throttle) failures(c counted) int {
	t.mu.Lock()
	defer t.mu.Unlock()
	if one := t.tries[c.name]; one != nil {
		return one.count
	}
	return 0
}

// remote is where a request comes from, for counting: its address, of IPv6 the
// network that one household has.
func remote(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	if ip = ip.Unmap().WithZone(""); ip.Is6() {
		if net, err := ip.Prefix(64); err == nil {
			return net.String()
		}
	}
	return ip.String()
}
