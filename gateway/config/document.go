package config

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"

	toml "github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Problem is one thing wrong in a file, in words for the person who wrote it.
type Problem struct {
	File      string
	Line, Col int    // from 1; the column counts characters, as an editor does
	Field     string // dotted path, such as modem[0].device
	Found     string
	Expected  string
	Hint      string // what to do, or empty
}

// Error returns "file:line:column: field: found X, expected Y", with the hint after a semicolon.
func (p *Problem) Error() string {
	s := fmt.Sprintf("%s:%d:%d: %s: found %s, expected %s", p.File, p.Line, p.Col, p.Field, p.Found, p.Expected)
	if p.Hint != "" {
		s += "; " + p.Hint
	}
	return s
}

// Problems is every problem of one file, in the order of the file. Its text has one line for each.
type Problems []*Problem

func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap lets errors.As find a Problem.
func (ps Problems) Unwrap() []error {
	errs := make([]error, len(ps))
	for i, p := range ps {
		errs[i] = p
	}
	return errs
}

// Document is a TOML file that knows where each of its values stands, and collects what is wrong with them. It
// belongs to one goroutine.
//
// A path is written as in the file's own words: site, modem[0].device (elements count from 0),
// zone.river-gate.title. A key that TOML has to quote is quoted in the path too; see Key.
type Document struct {
	name     string
	data     []byte
	tree     map[string]any
	at       map[string]int // path -> offset of its value, or of its key where the value has no place of its own
	keys     map[string]int // path -> offset of its key
	problems Problems
}

// Open reads the syntax of a TOML file; name stands for it in messages. The error, if any, is a Problems with the
// one problem: after a mistake in the syntax nothing that follows can be judged.
func Open(name string, data []byte) (*Document, error) {
	d := &Document{name: name, data: data, at: map[string]int{}, keys: map[string]int{}}
	if err := toml.Unmarshal(data, &d.tree); err != nil {
		return nil, Problems{d.syntax(err)}
	}
	if !d.index() {
		return nil, d.Err()
	}
	return d, nil
}

// Decode reads a TOML file strictly into v, a pointer to a struct: see Document.Into. The error lists every
// problem.
func Decode(name string, data []byte, v any) error {
	d, err := Open(name, data)
	if err != nil {
		return err
	}
	d.Into(v)
	return d.Err()
}

// Key returns a key as it stands in a path: as it is, or quoted if it has characters that a bare key may not have.
func Key(key string) string {
	bare := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_'
	}
	if key != "" && strings.IndexFunc(key, func(r rune) bool { return !bare(r) }) < 0 {
		return key
	}
	return strconv.Quote(key)
}

// join appends a key to a path.
func join(path, key string) string {
	if path == "" {
		return Key(key)
	}
	return path + "." + Key(key)
}

// element appends an index to a path.
func element(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// parent returns the path without its last key or index, and "" at the top. A dot within quotes parts nothing.
func parent(path string) string {
	cut, quoted := 0, false
	for i := 0; i < len(path); i++ {
		switch c := path[i]; {
		case quoted && c == '\\':
			i++
		case c == '"':
			quoted = !quoted
		case !quoted && (c == '.' || c == '['):
			cut = i
		}
	}
	return path[:cut]
}

// Position returns where the value at path stands, both counted from 1. For what is not in the file it returns the
// place of the nearest table around it, and 1, 1 when there is none.
func (d *Document) Position(path string) (line, col int) {
	for ; path != ""; path = parent(path) {
		if off, ok := d.at[path]; ok {
			return d.place(off)
		}
	}
	return 1, 1
}

// Has reports whether the file itself says anything at path.
func (d *Document) Has(path string) bool {
	_, ok := d.at[path]
	return ok
}

// Refuse records a problem with the value at path, in words: "found X, expected Y". A path about which, or about
// whose table, something has been said already is left alone, so that one mistake gives one message.
func (d *Document) Refuse(path, found, expected string) { d.RefuseHint(path, found, expected, "") }

// RefuseHint is Refuse with a sentence on what to do.
func (d *Document) RefuseHint(path, found, expected, hint string) {
	if d.full() {
		return
	}
	for p := path; p != ""; p = parent(p) {
		if d.refused(p) {
			return
		}
	}
	line, col := d.Position(path)
	d.add(&Problem{File: d.name, Line: line, Col: col, Field: path, Found: found, Expected: expected, Hint: hint})
}

func (d *Document) refused(path string) bool {
	for _, p := range d.problems {
		if p.Field == path {
			return true
		}
	}
	return false
}

// maxProblems bounds the list: a wrong file altogether is told apart from a right one well before this.
const maxProblems = 100

// full is asked before anything is worked out for a message, since that takes longer the longer the file is.
func (d *Document) full() bool { return len(d.problems) >= maxProblems }

func (d *Document) add(p *Problem) { d.problems = append(d.problems, p) }

// Err returns all problems recorded so far as a Problems, sorted by position, those of other files last, or nil.
func (d *Document) Err() error {
	if len(d.problems) == 0 {
		return nil
	}
	sorted := append(Problems(nil), d.problems...)
	sort.SliceStable(sorted, func(i, j int) bool {
		a, b := sorted[i], sorted[j]
		if a.File != b.File {
			return a.File == d.name || b.File != d.name && a.File < b.File
		}
		return a.Line < b.Line || a.Line == b.Line && a.Col < b.Col
	})
	return sorted
}

// place turns an offset into line and column.
func (d *Document) place(off int) (line, col int) {
	before := d.data[:off]
	start := bytes.LastIndexByte(before, '\n') + 1
	return bytes.Count(before, []byte{'\n'}) + 1, utf8.RuneCount(before[start:]) + 1
}

// syntax explains an error of the TOML reader.
func (d *Document) syntax(err error) *Problem {
	p := &Problem{File: d.name, Line: 1, Col: 1, Field: "(file)", Found: "text that is not TOML", Expected: err.Error()}
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		return p
	}
	row, col := de.Position()
	off := d.offset(row, col)
	p.Line, p.Col = d.place(off)
	line := d.data[off-(col-1):]
	if i := bytes.IndexByte(line, '\n'); i >= 0 {
		line = line[:i]
	}
	p.Field = syntaxField(de.Key(), line[:min(col-1, len(line))], row)
	p.Found = found(line[min(col-1, len(line)):])
	if strings.Contains(de.Error(), "expected '='") {
		p.Found = found(line) // the reader points at the end of the key, where there is nothing to see
	}
	p.Expected = syntaxExpected(strings.TrimPrefix(de.Error(), "toml: "))
	if before := bytes.TrimSpace(line[:min(col-1, len(line))]); len(before) > 0 && len(bytes.Trim(before, "[")) == 0 {
		header, _, _ := bytes.Cut(line, []byte("#"))
		p.Found = found(header) // the reader points behind the bracket, and what closes it alone is a riddle
	}
	if rest := line[min(col-1, len(line)):]; slices.ContainsFunc(printedQuotes, func(q string) bool { return bytes.HasPrefix(rest, []byte(q)) }) {
		p.Expected = `a text in straight quotes (")`
	}
	return p
}

// offset turns the reader's row and byte column into an offset within the data.
func (d *Document) offset(row, col int) int {
	off := 0
	for ; row > 1; row-- {
		i := bytes.IndexByte(d.data[off:], '\n')
		if i < 0 {
			break
		}
		off += i + 1
	}
	return min(off+col-1, len(d.data))
}

// syntaxField names the key at fault: the reader's, or what stands before "=" on the line.
func syntaxField(key toml.Key, before []byte, row int) string {
	if len(key) > 0 {
		return strings.Join(key, ".")
	}
	name, _, ok := bytes.Cut(before, []byte("="))
	name = bytes.TrimSpace(name)
	if ok && len(name) > 0 && utf8.Valid(name) && !bytes.ContainsAny(name, "\"'#") {
		return string(name)
	}
	return "line " + strconv.Itoa(row)
}

// found shows the start of the text at fault.
func found(text []byte) string {
	s := strings.TrimSpace(strings.ToValidUTF8(string(text), "�"))
	if s == "" {
		return "the end of the line"
	}
	return quote(s)
}

// printedQuotes are what word processors and phones make of ".
var printedQuotes = []string{"“", "”", "„", "‘", "’", "«", "»"}

func syntaxExpected(msg string) string {
	switch {
	case strings.HasPrefix(msg, "expected newline but got"):
		return `the end of the line after a value; a number with its unit stands in quotes, such as "7 m"`
	case strings.Contains(msg, "at start of value"), msg == "strings must be quoted", strings.HasPrefix(msg, "expected keyword"):
		return "a text in quotes, a number, true or false"
	case strings.Contains(msg, "expected '=' after key"):
		return `"=" and a value after the key`
	case strings.Contains(msg, "already"):
		return "each key and table once (" + msg + ")"
	}
	return "valid TOML (" + msg + ")"
}

// maxPath bounds a path, in bytes. Without it a line of a million dots would cost the square of that in memory.
const maxPath = 256

// index walks the syntax tree once more, now for the positions, which the values do not carry. It returns false if
// it met a path that is too long.
func (d *Document) index() bool {
	var p unstable.Parser
	p.Reset(d.data)
	table := ""
	count := map[string]int{} // elements seen of each array of tables
	for len(d.problems) == 0 && p.NextExpression() {
		switch e := p.Expression(); e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = d.header(e, count)
		case unstable.KeyValue:
			d.keyValue(table, e)
		}
	}
	return len(d.problems) == 0
}

// fits records a problem if a path is too long to go on.
func (d *Document) fits(path string, at int) bool {
	if len(path) <= maxPath {
		return true
	}
	if len(d.problems) == 0 {
		line, col := d.place(at)
		d.add(&Problem{File: d.name, Line: line, Col: col, Field: path[:32] + "...", Found: "a key too long or nested too deeply",
			Expected: fmt.Sprintf("a path of at most %d bytes", maxPath)})
	}
	return false
}

// header records [a.b] or [[a.b]] and returns the path of the table it opens.
func (d *Document) header(e *unstable.Node, count map[string]int) string {
	path := ""
	for it := e.Key(); it.Next(); {
		path = join(path, string(it.Node().Data))
		if !d.mark(path, it.Node()) {
			return path
		}
		switch last := it.IsLast(); {
		case last && e.Kind == unstable.ArrayTable:
			path = element(path, count[path])
			count[parent(path)]++
			d.mark(path, it.Node())
		case !last && count[path] > 0:
			path = element(path, count[path]-1)
		}
	}
	return path
}

// keyValue records a.b = value under a table.
func (d *Document) keyValue(path string, e *unstable.Node) {
	for it := e.Key(); it.Next(); {
		path = join(path, string(it.Node().Data))
		if !d.mark(path, it.Node()) {
			return
		}
	}
	d.value(path, e.Value())
}

// value records where a value stands, and the values within it.
func (d *Document) value(path string, v *unstable.Node) {
	if !d.fits(path, d.at[parent(path)]) {
		return
	}
	if v.Raw.Length > 0 {
		d.at[path] = int(v.Raw.Offset)
	}
	it, i := v.Children(), 0
	switch v.Kind {
	case unstable.Array:
		for ; it.Next(); i++ {
			d.value(element(path, i), it.Node())
		}
	case unstable.InlineTable:
		for it.Next() {
			d.keyValue(path, it.Node())
		}
	}
}

// mark records the place of a key, the first time it is seen. It returns false if the path is too long.
func (d *Document) mark(path string, key *unstable.Node) bool {
	off := int(key.Raw.Offset)
	if !d.fits(path, off) {
		return false
	}
	if _, ok := d.keys[path]; !ok {
		d.keys[path], d.at[path] = off, off
	}
	return true
}
