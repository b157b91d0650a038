package sqlite

import "context"

// SharedCode is a code that several sites have, because stations apart from each
// other gave it. There is nothing to choose: all but one need another code.
type SharedCode struct {
	Code  string     `json:"code"`
	Sites []CodeSite `json:"sites"`
}

// CodeSite is one of those sites.
type CodeSite struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Others are the sites but one; nil when that one does not have the code.
func (c SharedCode) Others(id string) []CodeSite {
	var out []CodeSite
	among := false
	for _, site := range c.Sites {
		if site.ID == id {
			among = true
			continue
		}
		out = append(out, site)
	}
	if !among {
		return nil
	}
	return out
}

// SharedCodes lists the codes that more than one site has, in any letter case.
func (s *Store) SharedCodes(ctx context.Context) ([]SharedCode, error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			code,
			json_extract(body, '$.properties.code'),
			id,
			json_extract(body, '$.properties.name')
		FROM sites
		WHERE deleted = 0 AND code IN (SELECT code FROM sites WHERE deleted = 0 GROUP BY code HAVING count(*) > 1)
		ORDER BY code, id`)
	if err != nil {
		return nil, explain("list shared codes", err)
	}
	defer rows.Close()
	var out []SharedCode
	last := ""
	for rows.Next() {
		var key, code string
		var site CodeSite
		if err := rows.Scan(&key, &code, &site.ID, &site.Name); err != nil {
			return nil, explain("list shared codes", err)
		}
		if len(out) == 0 || key != last {
			last = key
			out = append(out, SharedCode{Code: code})
		}
		one := &out[len(out)-1]
		one.Sites = append(one.Sites, site)
	}
	return out, explain("list shared codes", rows.Err())
}
