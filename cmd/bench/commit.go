package main

func commit(*bench) ([]row, error) { return nil, nil }
