package config

import (
	"encoding"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/agext/levenshtein"
)

// Defaulter is implemented by (a pointer to) a table's type whose fields do not start at zero. SetDefaults runs
// when the file opens such a table where the Go value has none yet: a nil pointer, a new element of a slice or map.
type Defaulter interface{ SetDefaults() }

// Expecter is implemented by types with an UnmarshalText, to say in words what it accepts: "a duration in quotes".
type Expecter interface{ Expected() string }

// Into decodes the document into v, a pointer to a struct, and records what does not fit; v keeps its old value
// there. Fields are named by `toml:"name"` tags alone, letter for letter; fields without a tag are not the file's.
//
// It knows structs, pointers to them, slices, maps with string keys, strings, booleans, integers, floats (finite),
// time.Time, any, and all that implements encoding.TextUnmarshaler, which is given a text. Another type is a mistake
// in the program, not in the file, and panics.
func (d *Document) Into(v any) {
	dst := reflect.ValueOf(v)
	if dst.Kind() != reflect.Pointer || dst.IsNil() || dst.Elem().Kind() != reflect.Struct {
		panic(fmt.Sprintf("config: decode into %T, which is not a pointer to a struct", v))
	}
	w := walker{doc: d, root: dst.Type().Elem()}
	w.table("", d.tree, dst.Elem())
}

// walker carries values from the document's tree into Go values.
type walker struct {
	doc  *Document
	root reflect.Type
}

func (w walker) refuse(path string, value any, expected string) {
	w.doc.Refuse(path, describe(value), expected)
}

func (w walker) set(path string, value any, dst reflect.Value) {
	if dst.Kind() == reflect.Pointer {
		fresh := newValue(dst.Type().Elem())
		w.set(path, value, fresh)
		dst.Set(fresh.Addr())
		return
	}
	if u, ok := dst.Addr().Interface().(encoding.TextUnmarshaler); ok && dst.Type() != reflect.TypeFor[time.Time]() {
		w.text(path, value, u)
		return
	}
	switch dst.Kind() {
	case reflect.Struct:
		w.structure(path, value, dst)
	case reflect.Slice:
		w.slice(path, value, dst)
	case reflect.Map:
		w.mapping(path, value, dst)
	default:
		w.scalar(path, value, dst)
	}
}

func newValue(t reflect.Type) reflect.Value {
	v := reflect.New(t)
	if d, ok := v.Interface().(Defaulter); ok {
		d.SetDefaults()
	}
	return v.Elem()
}

func (w walker) text(path string, value any, u encoding.TextUnmarshaler) {
	expected := "a text in quotes"
	if e, ok := u.(Expecter); ok {
		expected = e.Expected()
	}
	s, ok := value.(string)
	if !ok {
		w.refuse(path, value, expected)
		return
	}
	if err := u.UnmarshalText([]byte(s)); err != nil {
		if _, ok := u.(Expecter); !ok {
			expected = "another text: " + err.Error()
		}
		w.refuse(path, value, expected)
	}
}

func (w walker) structure(path string, value any, dst reflect.Value) {
	if dst.Type() == reflect.TypeFor[time.Time]() {
		w.scalar(path, value, dst)
		return
	}
	table, ok := value.(map[string]any)
	if !ok {
		w.refuse(path, value, "a table, written ["+path+"]")
		return
	}
	w.table(path, table, dst)
}

func (w walker) table(path string, table map[string]any, dst reflect.Value) {
	fields := fieldsOf(dst.Type())
	for _, key := range slices.Sorted(maps.Keys(table)) {
		at, value := join(path, key), table[key]
		if i := indexOf(fields, key); i >= 0 {
			w.set(at, value, dst.Field(fields[i].index))
			continue
		}
		w.unknown(at, key, fields)
	}
}

func (w walker) slice(path string, value any, dst reflect.Value) {
	list, ok := value.([]any)
	if !ok {
		expected := "a list in [ ]"
		if dst.Type().Elem().Kind() == reflect.Struct {
			expected = "tables written [[" + path + "]], one for each"
		}
		w.refuse(path, value, expected)
		return
	}
	out := reflect.MakeSlice(dst.Type(), len(list), len(list))
	for i, item := range list {
		out.Index(i).Set(newValue(dst.Type().Elem()))
		w.set(element(path, i), item, out.Index(i))
	}
	dst.Set(out)
}

func (w walker) mapping(path string, value any, dst reflect.Value) {
	if dst.Type().Key().Kind() != reflect.String {
		panic("config: decode into a map whose keys are not strings: " + dst.Type().String())
	}
	table, ok := value.(map[string]any)
	if !ok {
		w.refuse(path, value, "tables written ["+path+".NAME]")
		return
	}
	out := reflect.MakeMapWithSize(dst.Type(), len(table))
	for _, key := range slices.Sorted(maps.Keys(table)) {
		v := newValue(dst.Type().Elem())
		w.set(join(path, key), table[key], v)
		out.SetMapIndex(reflect.ValueOf(key).Convert(dst.Type().Key()), v)
	}
	dst.Set(out)
}

func (w walker) scalar(path string, value any, dst reflect.Value) {
	if got := reflect.TypeOf(value); dst.Kind() == reflect.Interface || dst.Kind() == reflect.Struct {
		if got.AssignableTo(dst.Type()) {
			dst.Set(reflect.ValueOf(value))
			return
		}
		w.refuse(path, value, "a date and time such as 2026-05-01T06:30:00Z")
		return
	}
	switch x := dst.Kind(); {
	case x == reflect.String:
		put(w, path, value, dst.SetString, "a text in quotes")
	case x == reflect.Bool:
		put(w, path, value, dst.SetBool, "true or false")
	case dst.CanInt(), dst.CanUint():
		w.integer(path, value, dst)
	case dst.CanFloat():
		w.float(path, value, dst)
	default:
		panic("config: decode into a type it does not know: " + dst.Type().String())
	}
}

func put[T any](w walker, path string, value any, set func(T), expected string) {
	if v, ok := value.(T); ok {
		set(v)
		return
	}
	w.refuse(path, value, expected)
}

func (w walker) integer(path string, value any, dst reflect.Value) {
	n, ok := value.(int64)
	if !ok {
		w.refuse(path, value, "a whole number")
		return
	}
	bits := dst.Type().Bits()
	switch {
	case dst.CanInt() && !dst.OverflowInt(n):
		dst.SetInt(n)
	case dst.CanUint() && n >= 0 && !dst.OverflowUint(uint64(n)):
		dst.SetUint(uint64(n))
	case dst.CanInt():
		w.refuse(path, value, fmt.Sprintf("a whole number from %d to %d", int64(-1)<<(bits-1), int64(math.MaxInt64)>>(64-bits)))
	default:
		w.refuse(path, value, fmt.Sprintf("a whole number from 0 to %d", uint64(math.MaxUint64)>>(64-bits)))
	}
}

func (w walker) float(path string, value any, dst reflect.Value) {
	f, ok := value.(float64)
	if n, whole := value.(int64); whole {
		f, ok = float64(n), true
	}
	if !ok || math.IsNaN(f) || math.IsInf(f, 0) || dst.OverflowFloat(f) {
		w.refuse(path, value, "a number")
		return
	}
	dst.SetFloat(f)
}

// field is one key that a table may have.
type field struct {
	key   string
	index int
}

// fieldsOf returns the keys of a struct in the order of their declaration.
func fieldsOf(t reflect.Type) []field {
	var fields []field
	for i := range t.NumField() {
		key, _, _ := strings.Cut(t.Field(i).Tag.Get("toml"), ",")
		if key != "" && key != "-" {
			fields = append(fields, field{key, i})
		}
	}
	return fields
}

func indexOf(fields []field, key string) int {
	for i, f := range fields {
		if f.key == key {
			return i
		}
	}
	return -1
}

// unknown reports a key that nobody reads, with the one that was probably meant.
func (w walker) unknown(path, key string, fields []field) {
	if w.doc.full() {
		return
	}
	names := make([]string, len(fields))
	for i, f := range fields {
		names[i] = f.key
	}
	expected := "one of " + strings.Join(names, ", ")
	if len(names) == 0 {
		expected = "no key here"
	}
	hint := ""
	if near := nearest(key, names); near != "" {
		hint = fmt.Sprintf("did you mean %q?", near)
	} else if home := homeOf(w.root, key, nil); home != "" {
		hint = fmt.Sprintf("did you mean %q under %s?", key, home)
	}
	line, col := w.doc.place(w.doc.keys[path])
	w.doc.add(&Problem{File: w.doc.name, Line: line, Col: col, Field: path, Found: "an unknown key", Expected: expected, Hint: hint})
}

// nearest returns the name that key is most likely a slip of, or "". Case, "-" and "_" do not count as
// differences; beyond them, one edit in three letters is taken for a slip.
func nearest(key string, names []string) string {
	fold := func(s string) string { return strings.ReplaceAll(strings.ToLower(s), "-", "_") }
	if len(key) > 64 {
		return ""
	}
	best, least := "", 1+max(1, utf8.RuneCountInString(key)/3)
	for _, name := range names {
		if dist := levenshtein.Distance(fold(key), fold(name), nil); dist < least {
			best, least = name, dist
		}
	}
	return best
}

// homeOf finds the table, as its header is written, that knows the key; "" if none does.
func homeOf(t reflect.Type, key string, above []string) string {
	for _, f := range fieldsOf(t) {
		inner, path := t.Field(f.index).Type, append(above[:len(above):len(above)], f.key)
		header := "[" + strings.Join(path, ".") + "]"
		switch inner.Kind() {
		case reflect.Slice:
			inner, header = inner.Elem(), "["+header+"]"
		case reflect.Pointer:
			inner = inner.Elem()
		}
		// A type within itself would go on for ever; no file of ours nests deeper than this.
		if inner.Kind() != reflect.Struct || len(path) > 4 {
			continue
		}
		if indexOf(fieldsOf(inner), key) >= 0 {
			return header
		}
		if home := homeOf(inner, key, path); home != "" {
			return home
		}
	}
	return ""
}

// describe says what a value is, in words.
func describe(value any) string {
	switch v := value.(type) {
	case string:
		return quote(v)
	case bool:
		return strconv.FormatBool(v)
	case int64:
		return strconv.FormatInt(v, 10)
	case float64:
		return describeFloat(v)
	case []any:
		return "a list"
	case map[string]any:
		return "a table"
	}
	return fmt.Sprintf("the date or time %v", value)
}

// describeFloat shows that a number has a decimal point even where its decimals are zero.
func describeFloat(v float64) string {
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if len(s) > 25 {
		s = strconv.FormatFloat(v, 'g', -1, 64)
	}
	if v == math.Trunc(v) && !strings.ContainsAny(s, ".eIN") {
		s += ".0"
	}
	return s
}

// quote quotes a text for a message, shortened where it is long.
func quote(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return strconv.Quote(string(r[:most])) + " and more"
	}
	return strconv.Quote(s)
}
