package daemon

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"longlane/gateway/mqtt"
)

// TestEarsOnBuiltIn: what an annunciator says at the broker built in, with its password, is heard, and so is its last will.
func TestEarsOnBuiltIn(t *testing.T) {
	secret := filepath.Join(t.TempDir(), "pass")
	if err := os.WriteFile(secret, []byte("apple\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg := orchard(t, "annunciators = [\"shop\"]\n[wifi]\nlisten = \"127.0.0.1:0\"\n[embedded]\nlisten = \"127.0.0.1:0\"\nuser = \"house\"\npassword_file = \""+secret+"\"\n")
	d, log, stop := start(t, cfg)
	o := mqtt.Options{URL: d.brokerURL(), ClientID: "shop", User: "house", PasswordFile: secret,
		Will: &mqtt.Will{Topic: "longlane/hill-orchard/annunciator/shop", Payload: []byte(`{"state":"lost"}`)}}
	is := func(want string) {
		t.Helper()
		await(t, func() (bool, string) {
			_, text := get(t, d, "/metrics")
			return strings.Contains(text, "\nlonglane_annunciator_up{annunciator=\"shop\"} "+want+"\n"), "longlane_annunciator_up to be " + want
		})
	}
	is("0")
	s, err := mqtt.Dial(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	s.Publish(o.Will.Topic, 1, true, []byte(`{"state":"serving"}`), func(error) {})
	is("1")
	again, err := mqtt.Dial(t.Context(), o) // another of the same name ends the first without a word
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	is("0")
	if err := stop(); err != nil {
		t.Error(err)
	}
	if text := log.String(); strings.Contains(text, "annunciators cannot be heard") || strings.Contains(text, "level=ERROR") {
		t.Errorf("the log: %s", text)
	}
}
