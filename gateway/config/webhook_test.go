package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"longlane/gateway/webhook/body"
)

// TestWebhookDefaults: what follows from other settings.
func TestWebhookDefaults(t *testing.T) {
	for _, c := range []struct {
		lines string
		age   time.Duration
		typ   string
	}{
		{"", time.Minute, body.Structured},
		{"required = true", 0, body.Structured},
		{"required = true\nmax_age = \"1m\"", time.Minute, body.Structured},
		{"max_age = \"0s\"", 0, body.Structured},
		{"body = '{}'", time.Minute, "application/json"},
		{"body = 'on'\ncontent_type = \"text/plain\"", time.Minute, "text/plain"},
		{"method = \"GET\"", time.Minute, ""},
	} {
		cfg, err := Parse("x.toml", []byte("site=\"s\"\ngateway=\"g\"\n[wifi]\n[[webhook]]\nname=\"lights\"\nurl=\"http://lights.lan:8080/a?b=c@d\"\n"+c.lines))
		if err != nil {
			t.Errorf("%s: %v", c.lines, err)
			continue
		}
		if w := cfg.Webhook[0]; time.Duration(w.MaxAge) != c.age || w.ContentType != c.typ {
			t.Errorf("%q: max_age %v, content_type %q; want %v, %q", c.lines, w.MaxAge, w.ContentType, c.age, c.typ)
		}
	}
}

// TestToken: a token file is refused for what is wrong with it, and never repeated.
func TestToken(t *testing.T) {
	path := filepath.Join(t.TempDir(), "token")
	for _, c := range []struct {
		text string
		mode os.FileMode
		want string
	}{
		{"open-sesame\n", 0o600, ""},
		{"open-sesame\n", 0o644, "open to others"},
		{"open-sesame\nopen\n", 0o600, "in one line"},
		{"open sesame\n", 0o600, "the token alone"},
		{"open-sésame\n", 0o600, "the token alone"},
		{"\n", 0o600, "in one line"},
	} {
		os.Remove(path)
		if err := os.WriteFile(path, []byte(c.text), c.mode); err != nil {
			t.Fatal(err)
		}
		token, err := ReadToken(path)
		switch {
		case c.want == "" && (err != nil || token != "open-sesame"):
			t.Errorf("%q: %q, %v", c.text, token, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "sesame")):
			t.Errorf("%q, mode %o: error %v, want one with %q that does not repeat it", c.text, c.mode, err, c.want)
		}
	}
}
