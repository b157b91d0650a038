package together

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// Remote is an atlas behind a server.
type Remote struct {
	at     *url.URL
	token  string
	client *http.Client
}

// Dial names the server to exchange with: its address, as http://station:8080,
// and the token that lets this machine in, "" for none. Nothing is asked yet.
func Dial(address, token string) (*Remote, error) {
	at, err := url.Parse(address)
	if err != nil || at.Scheme != "http" && at.Scheme != "https" || at.Host == "" || at.RawQuery != "" || at.User != nil {
		return nil, survey.Invalid("", "%q is no address of a server, like https://station.example:8443", address)
	}
	at.Path = strings.TrimSuffix(at.Path, "/")
	if token != "" && at.Scheme != "https" && !loopback(at.Hostname()) {
		return nil, survey.Invalid("", "a token is not sent to %s in the clear: use https", at.Host)
	}
	return &Remote{at: at, token: token, client: &http.Client{
		CheckRedirect: func(*http.Request, []*http.Request) error {
			return errors.New("the server leads elsewhere; give the address it leads to")
		},
		Transport: &http.Transport{Proxy: http.ProxyFromEnvironment, ResponseHeaderTimeout: 2 * time.Minute, ForceAttemptHTTP2: true},
	}}, nil
}

func loopback(host string) bool { return host == "localhost" || host == "127.0.0.1" || host == "::1" }

// mostAnswer bounds an answer that is read as a whole.
const mostAnswer = 16 << 20

func (r *Remote) do(ctx context.Context, method, path string, query url.Values, body io.Reader, kind string) (*http.Response, error) {
	at := *r.at
	at.Path += "/api/sync" + path
	at.RawQuery = query.Encode()
	req, err := http.NewRequestWithContext(ctx, method, at.String(), body)
	if err != nil {
		return nil, fmt.Errorf("ask %s: %w", r.at.Host, err)
	}
	if r.token != "" {
		req.Header.Set("Authorization", "Bearer "+r.token)
	}
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	req.Header.Set("Accept", "application/json, application/octet-stream")
	res, err := r.client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("ask %s: %w", r.at.Host, err)
	}
	if res.StatusCode >= 200 && res.StatusCode < 300 {
		return res, nil
	}
	defer res.Body.Close()
	return nil, refused(r.at.Host, res)
}

// refused is the error of an answer that is none.
func refused(host string, res *http.Response) error {
	var problem struct{ Detail string }
	text, err := io.ReadAll(io.LimitReader(res.Body, 1<<16))
	if err != nil || json.Unmarshal(text, &problem) != nil || problem.Detail == "" {
		problem.Detail = res.Status
	}
	kind := survey.ErrInvalid
	switch res.StatusCode {
	case http.StatusNotFound:
		kind = survey.ErrNotFound
	case http.StatusUnauthorized, http.StatusForbidden:
		kind = survey.ErrForbidden
	}
	return fmt.Errorf("%s says: %s (%w)", host, strings.TrimSuffix(problem.Detail, "."), kind)
}

func (r *Remote) call(ctx context.Context, method, path string, query url.Values, in, out any) error {
	var body io.Reader
	kind := ""
	if in != nil {
		b, err := json.Marshal(in)
		if err != nil {
			return fmt.Errorf("write to %s: %w", r.at.Host, err)
		}
		body, kind = bytes.NewReader(b), "application/json"
	}
	res, err := r.do(ctx, method, path, query, body, kind)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if err := json.NewDecoder(io.LimitReader(res.Body, mostAnswer)).Decode(out); err != nil {
		return fmt.Errorf("read what %s says: %w", r.at.Host, err)
	}
	return nil
}

// Standing asks the server.
func (r *Remote) Standing(ctx context.Context, asker string) (s sqlite.Standing, err error) {
	return s, r.call(ctx, http.MethodGet, "", url.Values{"atlas": {asker}}, nil, &s)
}

// Parcel asks the server.
func (r *Remote) Parcel(ctx context.Context, after sqlite.Mark) (p sqlite.Parcel, err error) {
	return p, r.call(ctx, http.MethodGet, "/revisions", url.Values{"after": {strconv.FormatInt(after.Number, 10)}, "link": {after.Link.String()}}, nil, &p)
}

// Missing asks the server.
func (r *Remote) Missing(ctx context.Context, hashes []sqlite.Hash) (out []sqlite.Hash, err error) {
	return out, r.call(ctx, http.MethodPost, "/missing", nil, hashes, &out)
}

// Take hands the server a piece of history.
func (r *Remote) Take(ctx context.Context, p sqlite.Parcel) (t sqlite.Taken, err error) {
	return t, r.call(ctx, http.MethodPost, "/revisions", nil, p, &t)
}

// Wants asks the server.
func (r *Remote) Wants(ctx context.Context) (out []sqlite.Content, err error) {
	return out, r.call(ctx, http.MethodGet, "/contents", nil, nil, &out)
}

func contentPath(c sqlite.Content) string {
	return "/contents/" + url.PathEscape(string(c.Kind)) + "/" + url.PathEscape(c.ID) + "/" + url.PathEscape(c.SHA256)
}

// Fetch gets a content from the server.
func (r *Remote) Fetch(ctx context.Context, c sqlite.Content) (io.ReadCloser, error) {
	res, err := r.do(ctx, http.MethodGet, contentPath(c), nil, nil, "")
	if err != nil {
		return nil, err
	}
	return res.Body, nil
}

// Give sends a content to the server.
func (r *Remote) Give(ctx context.Context, c sqlite.Content, from io.Reader) error {
	res, err := r.do(ctx, http.MethodPut, contentPath(c), nil, from, "application/octet-stream")
	if err != nil {
		return err
	}
	return res.Body.Close()
}
