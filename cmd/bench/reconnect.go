package main

func reconnect(*bench) ([]row, error) { return nil, nil }
