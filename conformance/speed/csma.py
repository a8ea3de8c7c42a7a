"""The model of crates/dunlin/benches/csma.rs in SimPy, and the events per second of both.

    python -m venv there && there/bin/pip install -r conformance/speed/requirements.txt
    cargo bench -p dunlin --bench csma --no-run     # prints the name of the program
    there/bin/python conformance/speed/csma.py PROGRAM

Stations that all notice each other after DELAY packet times; packets come at random to all of them
together; a station that has packets draws in each slot of DELAY with PERSISTENCE while it hears
nothing, one slot after the channel has become clear at the earliest. A packet is read by every other
station if no other transmission overlaps it. Both count as events: packets that come, draws, edges of
carrier at a station, packets read at a station, ends of transmissions.

Two ways in SimPy: `plain` as its documentation shows how to model (each reception is a process of
its own), `lean` with one process a transmission that goes through the stations in a loop.
"""

import json
import random
import resource
import subprocess
import sys
import time

import simpy

STATIONS, LOAD, PERSISTENCE, DELAY = 50, 0.5, 0.05, 0.1
RUST_TIMES, SIMPY_TIMES = 200_000, 2_000


class Station:
    def __init__(self, model, number):
        self.model, self.number = model, number
        self.waiting = 0
        self.heard = 0
        self.sends = False
        self.spoiled = False
        self.change = model.env.event()
        model.env.process(self.access())

    def changed(self):
        self.change.succeed()
        self.change = self.model.env.event()

    def may_draw(self):
        return self.waiting > 0 and self.heard == 0 and not self.sends

    def access(self):
        model, env = self.model, self.model.env
        while True:
            while not self.may_draw():
                yield self.change
            # One slot is left to others; then one draw a slot, as long as nothing changes.
            slot = env.timeout(DELAY)
            while self.may_draw():
                change = self.change
                yield slot | change
                if not slot.processed:
                    continue
                if not self.may_draw():
                    break
                model.events += 1
                if model.dice.random() < PERSISTENCE:
                    self.waiting -= 1
                    self.sends = True
                    env.process(model.transmission(self))
                    break
                slot = env.timeout(DELAY)


class Model:
    def __init__(self, lean, seed=1):
        self.env = simpy.Environment()
        self.dice = random.Random(seed)
        self.lean = lean
        self.events = 0
        self.read = 0
        self.on_air = []
        self.stations = [Station(self, n) for n in range(STATIONS)]
        self.env.process(self.packets())

    def packets(self):
        while True:
            yield self.env.timeout(self.dice.expovariate(LOAD))
            self.events += 1
            station = self.dice.choice(self.stations)
            station.waiting += 1
            if station.waiting == 1:
                station.changed()

    def transmission(self, sender):
        # All who overlap spoil each other; a sender that is heard was sending itself.
        this = {"spoiled": bool(self.on_air)}
        for other in self.on_air:
            other["spoiled"] = True
        self.on_air.append(this)
        if sender.heard:
            self.edge(sender, -sender.heard)
        others = [s for s in self.stations if s is not sender]
        if self.lean:
            self.env.process(self.receptions(this, others))
        else:
            for other in others:
                self.env.process(self.reception(this, other))
        yield self.env.timeout(1)
        self.on_air.remove(this)
        this["ended"] = True
        self.events += 1
        sender.sends = False
        if sender.waiting:
            sender.changed()

    def edge(self, station, by):
        before = station.heard
        station.heard += by
        if (before == 0) != (station.heard == 0):
            self.events += 1
            if station.waiting:
                station.changed()

    def reception(self, this, station):
        yield self.env.timeout(DELAY)
        noticed = not station.sends
        if noticed:
            self.edge(station, 1)
        yield self.env.timeout(1 - DELAY)
        if not this["spoiled"]:
            self.read += 1
            self.events += 1
        yield self.env.timeout(DELAY)
        if noticed and station.heard:
            self.edge(station, -1)

    def receptions(self, this, stations):
        yield self.env.timeout(DELAY)
        noticed = [s for s in stations if not s.sends]
        for station in noticed:
            self.edge(station, 1)
        yield self.env.timeout(1 - DELAY)
        if not this["spoiled"]:
            self.read += len(stations)
            self.events += len(stations)
        yield self.env.timeout(DELAY)
        for station in noticed:
            if station.heard:
                self.edge(station, -1)


def in_simpy(lean):
    model = Model(lean)
    began = time.process_time()
    model.env.run(until=SIMPY_TIMES)
    seconds = time.process_time() - began
    through = model.read / (STATIONS - 1) / SIMPY_TIMES
    return {"events": model.events, "seconds": seconds, "throughput": through}


def in_rust(program):
    """Seconds are those of the processor, as for SimPy: other work on the machine does not count."""
    figures = [str(f) for f in (STATIONS, LOAD, PERSISTENCE, DELAY, RUST_TIMES)]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([program, *figures], check=True, capture_output=True, text=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    told = json.loads(done.stdout.strip().splitlines()[-1])
    told["seconds"] = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return told


def main():
    ours = in_rust(sys.argv[1])
    rows = [("band of frames", ours), ("SimPy, plain", in_simpy(False)), ("SimPy, lean", in_simpy(True))]
    print(f"{STATIONS} stations, load {LOAD}, persistence {PERSISTENCE}, delay {DELAY}; SimPy {simpy.__version__}")
    rate = ours["events"] / ours["seconds"]
    for name, figures in rows:
        a_second = figures["events"] / figures["seconds"]
        print(
            f"{name:15} {figures['events']:>10} events  {figures['seconds']:8.2f} s  "
            f"{a_second:>12.0f} events/s  throughput {figures['throughput']:.3f}  "
            f"ours {rate / a_second:.1f} times as many"
        )
    apart = max(abs(f["throughput"] / ours["throughput"] - 1) for _, f in rows)
    if apart > 0.1:
        sys.exit(f"the models differ: throughputs are {100 * apart:.0f} % apart")


if __name__ == "__main__":
    main()
