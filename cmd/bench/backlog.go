package main

import "encoding/json"

func backlog(*bench) ([]row, error)                { return nil, nil }
func gatewayWork(o order, out *json.Encoder) error { return nil }
func idleWork(o order, out *json.Encoder) error    { return nil }
