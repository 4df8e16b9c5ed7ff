// Package air is the physics of a LoRa channel in virtual time: who hears which frame, how well, and if not, why not. A
// seed decides everything.
//
//	a, err := air.New(air.Options{Seed: 1, Stations: 3, NoiseFigure: 6, Loss: loss, Capture: air.Computed})
//	f := a.Send(air.Sending{From: 1, At: at, Until: at + settings.Airtime(20), Power: 14, Settings: settings})
//	...                           // whatever else is sent before f.Until
//	got := a.Heard(f, 0, 0)       // at f.Until
//	if got.Loss == air.Heard { use(got.RSSI(), got.SNR()) } else { count(got.Loss) }
//
// Whoever drives it keeps the time: frames are sent in the order of their beginnings, and Heard is asked when a frame is
// over, before anything is sent that begins later.
//
// # What it reckons with
//
// Path loss is given for each pair of stations. Shadowing is log-normal, drawn once for each pair, the same both ways: a
// bad place stays bad. Fading has Rayleigh's or Rice's distribution of power around the mean; there is one draw for each
// pair and block of the coherence time, the same both ways, and a frame keeps the draw of the block in which it begins.
// Draws come from a hash of seed, pair and block, so that they depend neither on the order of questions nor on memory.
//
// A frame can be read if its signal reaches lora.RequiredSNR over thermal noise (-174 dBm/Hz and the noise figure), and
// if, for each spreading factor in turn, it is stronger by the threshold of the Matrix than all that disturbs it with
// that factor. What disturbs counts by its energy: its power is averaged over the time in which the frame can be harmed.
// This is the model of Goursaud and Gorce, 2015, with the energies of Magrin, Centenaro and Vangelista, "Performance
// evaluation of LoRa networks in a smart city scenario", ICC 2017 (from memory). That time begins with the last five
// symbols of the programmed preamble, since those are enough to find a frame: Bor, Roedig, Voigt and Alonso, "Do LoRa
// low-power wide-area networks scale?", MSWiM 2016 (from memory).
//
// A modem is half duplex, and receives one frame at a time: once past the preamble of a frame that it could read were it
// alone, it takes no later one of the same settings, however strong, until that frame is over. A later frame that comes
// during the preamble is taken if it is stronger by the threshold.
//
// Frames of another bandwidth disturb as noise, by the part that falls into the receiver's bandwidth. Frames on another
// channel disturb nobody.
//
// Before it sends, a modem may sense the carrier (Busy). That finds other LoRa frames of its own settings and nothing else.
//
// # What it leaves out
//
// Noise and interference are judged each by its own threshold, not by their sum. Near the threshold a frame is lost or
// not; a real modem loses some. An overlap that is short but strong is averaged, though it can be worse for the coding
// rates 4/5 and 4/6, which correct nothing. Whether a modem is occupied is judged without what disturbed the earlier
// frame. Frequency errors, Doppler, changes of the channel within a frame, blocking by strong signals beside the
// channel, reflections that differ between channels, turn-around times: none.
package air
