package markup_test

import (
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo/vector/markup"
)

func TestReader(t *testing.T) {
	r := markup.NewReader(strings.NewReader(`<?xml version="1.0"?><!-- c --><a x="1" y:x="2" xmlns:y="u"><b>t<c>inner</c><![CDATA[<u>]]> </b><d><e/><e/></d></a>`))
	root, err := r.Root()
	require.NoError(t, err)
	assert.Equal(t, "a", root.Name.Local)
	assert.Equal(t, "1", markup.Attr(root, "x"))
	assert.Empty(t, markup.Attr(root, "z"))
	var seen []string
	require.NoError(t, r.Children(func(e xml.StartElement) error {
		seen = append(seen, e.Name.Local)
		if e.Name.Local == "b" {
			text, err := r.Text()
			assert.Equal(t, "t<u>", text)
			return err
		}
		return r.Skip()
	}))
	assert.Equal(t, []string{"b", "d"}, seen)
	_, err = r.Token()
	assert.ErrorIs(t, err, io.EOF)
}

func TestRefused(t *testing.T) {
	root := func(text string) error {
		r := markup.NewReader(strings.NewReader(text))
		_, err := r.Root()
		for err == nil {
			_, err = r.Token()
		}
		return err
	}
	assert.ErrorIs(t, root("<!DOCTYPE a><a/>"), markup.ErrDTD)
	assert.ErrorIs(t, root("<a><!ENTITY x 'y'></a>"), markup.ErrDTD)
	assert.ErrorContains(t, root(strings.Repeat("<a>", 200)), "nested too deep")
	assert.ErrorContains(t, root("<a "+strings.Repeat(" ", 2<<20)+"/>"), "a tag of the XML is longer")
	assert.NoError(t, ignoreEOF(root("<a><![CDATA["+strings.Repeat("<", 2<<20)+"]]></a>")))
	assert.ErrorIs(t, markup.Plain(root("")), io.ErrUnexpectedEOF)
	assert.ErrorIs(t, markup.Plain(root("<a>")), io.ErrUnexpectedEOF)
	assert.EqualError(t, markup.Plain(root("<a>\n</b>")), "it is not valid XML: line 2: element <a> closed by </b>")
}

func ignoreEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// encoding/xml is the outside judge of what is written.
func TestAppendText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s")
		text, whole := markup.AppendText(nil, s)
		var got struct {
			Text string `xml:",chardata"`
			Attr string `xml:"x,attr"`
		}
		require.NoError(t, xml.Unmarshal([]byte(`<a x="`+string(text)+`">`+string(text)+`</a>`), &got))
		if whole {
			require.Equal(t, s, got.Text)
			if !strings.ContainsAny(s, "\t\n") { // an attribute turns these into blanks (XML 1.0 §3.3.3)
				require.Equal(t, s, got.Attr)
			}
		}
	})
	for s, want := range map[string]bool{"a\r\n<&>\"": true, "a\x00": false, "\x1b": false, "\xff": false, "\ufffe": false, "🌲": true} {
		_, whole := markup.AppendText(nil, s)
		assert.Equal(t, want, whole, "%q", s)
	}
}

// encoding/xml takes every name as that of an element.
func TestName(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s")
		name, _ := markup.Name(s)
		require.NoError(t, xml.Unmarshal([]byte("<"+name+"/>"), new(struct{})), "%q", name)
	})
	for s, want := range map[string]string{"slope_deg": "slope_deg", "slope deg": "slope_deg", "7up": "_7up", "": "_", "a:b": "a_b", "größe": "größe", "-x": "_-x"} {
		name, same := markup.Name(s)
		assert.Equal(t, want, name)
		assert.Equal(t, s == want, same)
	}
}
