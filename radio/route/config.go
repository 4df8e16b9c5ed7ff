package route

import (
	"fmt"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
)

// Config is what a table goes by. Defaults fills it in; Check refuses what cannot work.
type Config struct {
	Modem   lora.Settings
	Beacons TrickleConfig

	Neighbours int           // how many are kept; 1 to 254
	Lifetime   time.Duration // a neighbour that has told no distance for so long is gone; 1 s or more

	Floor  float64 // dB of margin below which a neighbour is refused
	Return float64 // dB above Floor that a refused one needs to be taken again; not negative
	Smooth float64 // weight of the newest margin in the mean; above 0, up to 1
	Judge  float64 // values before which a mean refuses nobody; 1 or more

	Window    float64       // frames over which deliveries are counted; 1 or more
	Prior     float64       // frames that what is assumed of an unused link is worth; above 0
	MaxGap    uint32        // group frames missing at a stroke that still count as lost
	Deaf      int           // sendings in a row without a sign of a neighbour, which is silent then until it is heard; 1 or more
	Grace     time.Duration // how long a silent parent is kept while there is no better; 1 s or more
	AckMemory time.Duration // half-life of what the acknowledgements have told; 1 s or more

	MaxETX   float64       // transmissions a frame beyond which nobody takes a link for his way; 1 or more
	Switch   float64       // trips' airtimes by which another parent must be better; not negative
	MaxRise  float64       // trips' airtimes by which the distance may rise before the way counts as lost; not negative
	MaxPath  float64       // trips' airtimes beyond which a way is none; 1 or more
	HoldDown time.Duration // how long a lost way is announced before a longer one is taken; not negative

	Suspect  int           // frames in a row without a receipt that make a neighbour suspect; 1 or more
	Demotion time.Duration // how long a suspect one is not trusted once another has brought a receipt, unless it brings one; 1 s or more
}

// shareOfBeacons is how many times its airtime the shortest interval lasts at the least. Somebody who makes everybody start
// again all the time then costs less than 1 % of the channel for each node that hears him.
const shareOfBeacons = 128

// longestBeacon bounds the longest interval by default. 1.65 s of beacon at SF12 are then still less than 0.1 % of the channel.
const longestBeacon = 70 * time.Minute

// Defaults is a Config for a modem's settings, which must have passed Check.
func Defaults(s lora.Settings) Config {
	// 8 s: long enough for some beacons of neighbours at the slowest settings in use; short enough that a way around a dead
	// relay is known in a minute (at SF12 in half an hour). RFC 6550's 8 ms are for radios a thousand times faster.
	imin := max(8*time.Second, (shareOfBeacons * s.Airtime(proto.TypeBeacon.Size())).Round(time.Second))
	// 7 doublings: at SF7 from 9 s to 19 min, so about as rare as check-ins. Fewer from longer ones: a dead relay that nobody sends
	// through is known after four of the longest, and at SF12 these would last 7.5 h each.
	// K is RFC 6550's default (section 17, DEFAULT_DIO_REDUNDANCY_CONSTANT): beacons are rare anyway, and as a silent
	// neighbour is taken for gone, keeping silent must stay the exception: it begins with more than 10 neighbours.
	beacons := TrickleConfig{Imin: imin, Doublings: 7, K: 10}
	for beacons.Doublings > 2 && beacons.Imax() > longestBeacon {
		beacons.Doublings--
	}
	for beacons.Doublings > 0 && beacons.Imin > longestInterval>>beacons.Doublings { // the narrowest channels at the slowest, with minutes on the air
		beacons.Doublings--
	}
	return Config{
		Modem: s, Beacons: beacons,
		Neighbours: 32,                 // a lane has few; a table is some kB
		Lifetime:   4 * beacons.Imax(), // three beacons lost in a row are no death: at 70 % delivery that is one in 40, and then one asks
		// Fading moves a link by some dB from frame to frame, and within 3 dB of the limit delivery falls from nearly all
		// to nearly none (common practice, no source). 2 dB of return keep a neighbour from going in and out.
		Floor: 3, Return: 2,
		// The last sixteen frames or so: a signal without line of sight moves by 5.6 dB (the standard deviation of Rayleigh's
		// power in dB, from memory) from frame to frame, their mean then by 1 dB; leaves in spring take weeks.
		Smooth: 1.0 / 16,
		Judge:  8,                // the mean of eight moves by 2 dB; one alone says nothing, and who refuses his only neighbour has no way at all
		Window: 48,               // shorter is noise, and a distance that jumps makes others change their ways; longer is history: a relay hands on some ten frames an hour
		Prior:  4,                // so that the first lost frame makes no bad link
		MaxGap: 16,               // beyond, it was a restart, which moves counters on: even a link at 25 % loses 16 in a row but once in 100
		Deaf:   18,               // three frames, each sent six times within some seconds; where others hear them as well a dead relay costs nothing till then
		Grace:  8 * beacons.Imin, // it is asked, answers within Imin, and is asked again
		// A link once found bad is not used, so nothing is learnt of it: it is forgiven within some hours.
		AckMemory: time.Hour,
		MaxETX:    4,   // RFC 6719, MAX_LINK_METRIC: 512 = 4 * 128
		Switch:    1.5, // RFC 6719, PARENT_SWITCH_THRESHOLD: 192 = 1.5 * 128, here times a trip's airtime
		MaxRise:   8,   // two links' worst: what rises further is more likely a loop than a link (RFC 6550, DAGMaxRankIncrease)
		MaxPath:   4 * (proto.MaxHops + 1),
		// The news goes one hop in at most Imin, and a frame makes MaxHops + 1 hops at the most.
		HoldDown: (proto.MaxHops + 1) * beacons.Imin,
		Suspect:  5, // where one receipt in five is lost on its way, 1 in 3,000 is suspected unjustly, and others send its frames on as well
		// Someone who swallows frames is left one more a day; shorter, and each relay around it finds out at another time, at the cost
		// of the frames of all behind it. Whoever was demoted by chance is cleared by the next frame that nobody else takes.
		Demotion: 24 * time.Hour,
	}
}

// Check names what is wrong with c.
func (c Config) Check() error {
	if err := c.Modem.Check(); err != nil {
		return err
	}
	if err := c.Beacons.Check(); err != nil {
		return err
	}
	const long = 1000 * time.Hour
	seconds := func(d time.Duration) float64 { return d.Seconds() }
	for _, f := range []struct {
		name, unit       string
		x, least, utmost float64
	}{
		{"neighbours kept", "", float64(c.Neighbours), 1, 254},
		{"lifetime of a neighbour", " s", seconds(c.Lifetime), 1, 4 * seconds(longestInterval)},
		{"margin's floor", " dB", c.Floor, -20, 40},
		{"margin to return with", " dB", c.Return, 0, 40},
		{"weight of the newest margin", "", c.Smooth, 0.01, 1},
		{"margins before a judgement", "", c.Judge, 1, 1000},
		{"window of deliveries", " frames", c.Window, 1, 1000},
		{"weight of what is assumed", " frames", c.Prior, 0.1, 1000},
		{"greatest gap", " frames", float64(c.MaxGap), 0, 1000},
		{"sendings in a row without a sign", "", float64(c.Deaf), 1, 100},
		{"silence of a parent", " s", seconds(c.Grace), 1, seconds(long)},
		{"memory of acknowledgements", " s", seconds(c.AckMemory), 1, seconds(long)},
		{"greatest ETX", "", c.MaxETX, 1, 100},
		{"switch threshold", " trips", c.Switch, 0, 100},
		{"greatest rise", " trips", c.MaxRise, 0, 1000},
		{"longest way", " trips", c.MaxPath, 1, 10000},
		{"hold-down", " s", seconds(c.HoldDown), 0, seconds(long)},
		{"frames without a receipt", "", float64(c.Suspect), 1, 100},
		{"demotion", " s", seconds(c.Demotion), 1, seconds(long)},
	} {
		if !(f.x >= f.least && f.x <= f.utmost) { // so put, it refuses what is not a number
			return fmt.Errorf("%s: found %v%s, expected %v to %v", f.name, f.x, f.unit, f.least, f.utmost)
		}
	}
	if trip := c.trip(); trip >= uint32(proto.NoDistance) {
		return fmt.Errorf("a trip lasts %d ms on the air with these settings: expected less than %d, since distances are told in ms with two bytes",
			trip, proto.NoDistance)
	}
	return nil
}

// trip is how long a trip heard directly is on the air, in ms, rounded up. It is the unit of distances: what relays add
// and the acknowledgement would make each way longer, and change no choice.
func (c Config) trip() uint32 {
	return uint32((c.Modem.Airtime(proto.TypeTripOpened.Size()) + time.Millisecond - 1) / time.Millisecond)
}

// longest is the greatest distance that is told, in ms.
func (c Config) longest() uint32 {
	return min(c.trips(c.MaxPath), uint32(proto.NoDistance)-1)
}

// trips is n trips' airtime, in ms.
func (c Config) trips(n float64) uint32 { return uint32(n * float64(c.trip())) }
