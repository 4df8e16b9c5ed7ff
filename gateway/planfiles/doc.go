// Package planfiles gives the files that follow from a plan, so that one lane file serves plan, simulation and the running system: the scenario of
// the planned lane for `longlane sim`, the settings of the gateway and of each node and relay, and what a walk test is to be compared with.
//
//	set, err := planfiles.Of(p, planfiles.Options{Dir: "/home/orchard/plan", Lane: "/home/orchard/lane.toml"})
//	for _, f := range set.Files { ... } // set.Dir/f.Name holds f.Data
//	set.WriteText(os.Stdout)            // what was written, and what to do next with it
//
// It writes nothing by itself. Each file has been read back by the code that will read it (package config, ether with rehearsal, survey), so that
// none is handed out that the programs refuse. What a plan cannot tell (which port, which pin, which broker) stands there as a value that can be,
// in a line that says CHANGE.
package planfiles
