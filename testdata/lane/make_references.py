#!/usr/bin/env python3
"""Makes the reference values that package radio/lane is held against, beside this file.

    python3 make_references.py

geodesics.txt   places around origins, with the length and the azimuth of the geodesic from the origin, and the length of
                that between neighbours: GeographicLib (C. Karney, Algorithms for geodesics, J. Geodesy 87, 2013), which
                claims 15 nm. On Debian: python3-geographiclib.
spots.txt       heights between spot heights: SciPy's RBFInterpolator with kernel "linear" and degree 0, which is linear
                kriging with a linear variogram. On Debian: python3-scipy.

tile.txt        a tile of terrain as GDAL writes it (its driver SRTMHGT), by its SHA-256, and heights between those of the tile
                as GDAL interpolates them. On Debian: python3-gdal.
hill-orchard.geojson, hill-orchard.gpx
                the place of hill-orchard.toml, by GeographicLib, as somebody would draw it and as a phone would record a walk
by-gdal.geojson, by-gdal.gpx
                the same two as GDAL writes them. On Debian: gdal-bin.

The result is the same at every run.
"""
import hashlib
import json
import math
import os
import random
import re
import subprocess
import tempfile
import tomllib

import numpy
from geographiclib.geodesic import Geodesic
from osgeo import gdal, osr
from scipy.interpolate import RBFInterpolator

here = os.path.dirname(os.path.abspath(__file__))


def geodesics():
    out = ["# Made by make_references.py with GeographicLib: origin lat, lon; place lat, lon; metres and azimuth (degrees) of the",
           "# geodesic from the origin; metres of that from the place of the line before (0 on the first of an origin)."]
    rng = random.Random(7)
    for lat, lon in [(44.5, -30.5), (0, 0), (-33.9, 151.2), (69.7, 18.9), (-0.001, 179.999), (52.0, -180.0), (89.97, 40.0), (-90.0, 0.0)]:
        before = None
        for _ in range(40):
            azimuth, dist = rng.uniform(0, 360), rng.uniform(1, 10000)
            g = Geodesic.WGS84.Direct(lat, lon, azimuth, dist)
            at = (g["lat2"], g["lon2"])
            back = Geodesic.WGS84.Inverse(lat, lon, *at)
            step = Geodesic.WGS84.Inverse(*before, *at)["s12"] if before else 0
            out.append("%.6f %.6f %.12f %.12f %.6f %.9f %.6f" % (lat, lon, *at, back["s12"], back["azi1"], step))
            before = at
    return out


def spots():
    out = ["# Made by make_references.py with SciPy: first spots (east, north, height), then asked points with what is there."]
    rng = random.Random(11)
    at = [(rng.uniform(-1500, 1500), rng.uniform(-1500, 1500)) for _ in range(25)]
    height = [rng.uniform(390, 460) for _ in at]
    out += ["spot %.6f %.6f %.6f" % (*p, h) for p, h in zip(at, height)]
    at = numpy.array([[round(x, 6) for x in p] for p in at])
    f = RBFInterpolator(at, numpy.array([round(h, 6) for h in height]), kernel="linear", degree=0)
    asked = numpy.array([[round(rng.uniform(-3000, 3000), 6) for _ in range(2)] for _ in range(60)])
    out += ["asked %.6f %.6f %.9f" % (*p, h) for p, h in zip(asked, f(asked))]
    return out


def tile():
    """Its heights are (7 r + 13 c + r c) mod 997 - 100 in row r from the north and column c from the west; one is a void."""
    gdal.UseExceptions()
    n = 1201
    r, c = numpy.mgrid[0:n, 0:n]
    heights = ((7 * r + 13 * c + r * c) % 997 - 100).astype(numpy.int16)
    heights[100, 200] = -32768
    step = 1 / (n - 1)
    memory = gdal.GetDriverByName("MEM").Create("", n, n, 1, gdal.GDT_Int16)
    memory.SetGeoTransform((-31 - step / 2, step, 0, 45 + step / 2, 0, -step))
    wgs84 = osr.SpatialReference()
    wgs84.ImportFromEPSG(4326)
    memory.SetProjection(wgs84.ExportToWkt())
    memory.GetRasterBand(1).WriteArray(heights)
    memory.GetRasterBand(1).SetNoDataValue(-32768)
    out = ["# Made by make_references.py with GDAL: the SHA-256 of the tile N44W031.hgt; then places with their heights."]
    with tempfile.TemporaryDirectory() as folder:
        name = os.path.join(folder, "N44W031.hgt")
        gdal.GetDriverByName("SRTMHGT").CreateCopy(name, memory)
        with open(name, "rb") as f:
            out.append(hashlib.sha256(f.read()).hexdigest())
        written, rng = gdal.Open(name), random.Random(3)
        for _ in range(60):
            lat, lon, e = round(rng.uniform(44.01, 44.9), 7), round(rng.uniform(-30.95, -30.05), 7), 1e-7
            one = gdal.Warp("", written, format="MEM", outputBounds=(lon - e / 2, lat - e / 2, lon + e / 2, lat + e / 2),
                            width=1, height=1, resampleAlg="bilinear", outputType=gdal.GDT_Float64)
            out.append("%.7f %.7f %.6f" % (lat, lon, one.GetRasterBand(1).ReadAsArray()[0, 0]))
    return out


def by_gdal():
    def ogr2ogr(to, what, *options):
        path = os.path.join(here, to)
        if os.path.exists(path):
            os.remove(path)
        subprocess.run(["ogr2ogr", *options, path, os.path.join(here, what)], check=True)

    ogr2ogr("by-gdal.geojson", "hill-orchard.geojson", "-f", "GeoJSON")
    ogr2ogr("by-gdal.gpx", "hill-orchard.gpx", "-f", "GPX")


def orchard():
    with open(os.path.join(here, "hill-orchard.toml"), "rb") as f:
        lane = tomllib.load(f)
    number = r"([-+0-9.]+)"
    lat, lon = (float(x) for x in re.fullmatch(number + " N, " + number + " W", lane["origin"]).groups())
    lon = -lon

    def globe(text):
        east, ew, north, ns = re.fullmatch(number + " m ([EW]), " + number + " m ([NS])", text).groups()
        east, north = float(east) * (1 if ew == "E" else -1), float(north) * (1 if ns == "N" else -1)
        g = Geodesic.WGS84.Direct(lat, lon, math.degrees(math.atan2(east, north)), math.hypot(east, north))
        return [round(g["lon2"], 8), round(g["lat2"], 8)]

    def ring(texts):
        points = [globe(t) for t in texts]
        return points + points[:1]

    features = []

    def feature(kind, coordinates, **properties):
        features.append(json.dumps({"type": "Feature", "properties": properties, "geometry": {"type": kind, "coordinates": coordinates}}))

    course = [globe(t) for t in lane["course"]]
    gpx = ['<?xml version="1.0" encoding="UTF-8"?>', '<gpx version="1.1" creator="make_references.py" xmlns="http://www.topografix.com/GPX/1/1">']
    for name, site in lane["site"].items():
        feature("Point", globe(site["at"]), name=name)
        said = "Gate at the river" if name == "river-gate" else name.replace("-", " ").capitalize()
        gpx.append('  <wpt lat="%.8f" lon="%.8f"><name>%s</name></wpt>' % (*reversed(globe(site["at"])), said))
    feature("LineString", course, name="lane")
    gpx.append("  <rte><name>Lane</name>")
    gpx += ['    <rtept lat="%.8f" lon="%.8f"/>' % (y, x) for x, y in course]
    gpx += ["  </rte>", "</gpx>"]
    for c in lane["cover"]:
        rings = [ring(c["area"])] + [ring(h) for h in c.get("hole", [])]
        feature("Polygon", rings, cover=c["kind"], **{k: v for k, v in c.items() if k not in ("kind", "area", "hole")})
    return ['{"type": "FeatureCollection", "features": ['] + [",\n".join(features)] + ["]}"], gpx


geojson, gpx = orchard()
for name, lines in [("geodesics.txt", geodesics()), ("spots.txt", spots()), ("tile.txt", tile()), ("hill-orchard.geojson", geojson), ("hill-orchard.gpx", gpx)]:
    with open(os.path.join(here, name), "w") as f:
        f.write("\n".join(lines) + "\n")
by_gdal()
