package main

func footprint(*bench) ([]row, error) { return nil, nil }
