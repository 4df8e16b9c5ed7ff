package main

func chain(*bench) ([]row, error) { return nil, nil }
