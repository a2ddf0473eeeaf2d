"""The kiln model against a general solver of ordinary differential equations.

Integrates the equations of docs/kiln-model.md, on the cells that the kiln file
asks for, with scipy's Radau method (implicit, fifth order, error controlled),
starting anew at every switching, and compares with what the model found for
the same switchings. Written from that page alone; it shares no code with the
model.

    cargo build --release -p dryfire-tests --bin kiln_trace
    target/release/kiln_trace scenarios/kilns/*.yaml | python3 tests/outside/kiln_scipy.py

Installs nothing: where numpy or scipy are missing it says so and exits 77. `--hours H` compares the first H hours only; `--jobs N`
runs N firings at a time. Status 1 if any temperature is off by more than
0.1 °C or the energies do not agree.
"""

import argparse
import json
import multiprocessing
import os
import sys
import time

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    # The matrices are small: threads would only wait for each other.
    os.environ.setdefault(threads, "1")

try:
    import numpy as np
    from scipy.integrate import solve_ivp
except ImportError as missing:
    print(f"skipped: {missing}; this check needs numpy and scipy (python3 -m pip install numpy scipy)")
    sys.exit(77)

SIGMA = 5.670374419e-8  # W/(m²·K⁴), exact in the SI since 2019 (CODATA)
KELVIN = 273.15
LIMIT = 0.1  # °C
ENERGY_LIMIT = 1e-4  # of the electrical energy


class Laws:
    """Properties over temperature, straight between points, one law for each row.

    A law a + b·T holds everywhere; a table is constant outside its points.
    All share one set of break points, so that one look-up serves all rows.
    """

    def __init__(self, laws):
        breaks = sorted({point[0] for law in laws if isinstance(law, list) for point in law})
        self.breaks = np.array(breaks)
        pieces = len(breaks) + 1
        self.value, self.slope = np.zeros((len(laws), pieces)), np.zeros((len(laws), pieces))
        self.integral = np.zeros((len(laws), pieces))
        # Each piece is a line about its own left end (the first about its right one).
        self.origin = np.array([breaks[0] if breaks else 0.0] + breaks)
        for row, law in enumerate(laws):
            for piece in range(pieces):
                if isinstance(law, dict):
                    self.value[row, piece] = law["at_zero"] + law["slope"] * self.origin[piece]
                    self.slope[row, piece] = law["slope"]
                    continue
                at = lambda t: np.interp(t, [p[0] for p in law], [p[1] for p in law])
                self.value[row, piece] = at(self.origin[piece])
                if 0 < piece < pieces - 1:
                    left, right = breaks[piece - 1], breaks[piece]
                    self.slope[row, piece] = (at(right) - at(left)) / (right - left)
            for piece in range(2, pieces):
                width = breaks[piece - 1] - breaks[piece - 2]
                mean = self.value[row, piece - 1] + self.slope[row, piece - 1] * width / 2
                self.integral[row, piece] = self.integral[row, piece - 1] + mean * width

    def locate(self, rows, celsius):
        piece = np.searchsorted(self.breaks, celsius)
        return (rows[:, None], piece), celsius - self.origin[piece]

    def at(self, rows, celsius):
        where, x = self.locate(rows, celsius)
        return self.value[where] + self.slope[where] * x

    def at_and_slope(self, rows, celsius):
        where, x = self.locate(rows, celsius)
        slope = self.slope[where]
        return self.value[where] + slope * x, slope

    def at_and_integral(self, rows, celsius):
        where, x = self.locate(rows, celsius)
        value, slope = self.value[where], self.slope[where]
        return value + slope * x, self.integral[where] + x * (value + slope * x / 2)


class Kiln:
    """The equations as a function of the state.

    State, one column for each point asked: elements, loads, cells, probes (°C),
    then electrical and lost energy (J).
    """

    def __init__(self, kiln, ambient):
        self.ambient = ambient
        zones = self.zones = kiln["zones"]
        count = self.count = len(zones)
        column = lambda values: np.array(list(values), dtype=float)[:, None]
        loads = [zone["load"] for zone in zones]
        self.loaded = np.array([index for index, load in enumerate(loads) if load])
        have = [load for load in loads if load]
        self.load_surface = column(load["surface"] for load in have) if have else np.zeros((0, 1))
        self.load_emissivity = column(load["emissivity"] for load in have) if have else np.zeros((0, 1))
        self.load_mass = column(load["mass"] for load in have) if have else np.zeros((0, 1))
        self.load_heat = Laws([load["specific_heat"] for load in have])
        self.load_rows = np.arange(len(have))
        element = [zone["element"] for zone in zones]
        self.capacity = column(e["heat_capacity"] for e in element)
        self.element_surface = column(e["surface"] for e in element)
        self.element_emissivity = column(e["emissivity"] for e in element)
        self.full = column(kiln["supply"] ** 2 * e["rated"] / e["rated_at"] ** 2 / e["ageing"] for e in element)
        self.rise = column(e["resistance_rise"] for e in element)
        self.h = column(zone["inner_convection"] for zone in zones)
        self.leak = column(zone["air_leak"] for zone in zones)
        self.area = column(zone["wall_area"] for zone in zones)
        emissivity = column(zone["wall_emissivity"] for zone in zones)
        self.enclosing = self.area * emissivity / (1 - emissivity)
        self.time_constant = column(zone["probe_time_constant"] for zone in zones)
        self.view = np.array([c["radiating_area"] for c in kiln["couplings"]])[:, None]
        self.conductance = np.array([c["conductance"] for c in kiln["couplings"]])[:, None]
        self.lid = kiln["lid"]
        self.h_out, self.e_out = kiln["outside"]["convection"], kiln["outside"]["emissivity"]
        # Cells of all zones in one column.
        conductivities, heats, cells = [], [], []
        self.first, self.last, self.interfaces = [], [], []
        for zone in zones:
            self.first.append(len(cells))
            for number, layer in enumerate(zone["layers"]):
                if number > 0:
                    self.interfaces.append(len(cells))
                conductivities.append(layer["conductivity"])
                heats.append({"law": layer["specific_heat"], "density": layer["density"]})
                for _ in range(layer["cells"]):
                    cells.append((len(conductivities) - 1, layer["thickness"] / layer["cells"]))
            self.last.append(len(cells) - 1)
        self.law = np.array([law for law, _ in cells])
        self.dx = np.array([dx for _, dx in cells])[:, None]
        self.k = Laws(conductivities)
        self.c = Laws([heat["law"] for heat in heats])
        self.density = np.array([heats[law]["density"] for law in self.law])[:, None]
        self.cell_area = np.concatenate(
            [np.full(last - first + 1, self.area[z, 0]) for z, (first, last) in enumerate(zip(self.first, self.last))]
        )[:, None]
        self.interfaces = np.array(self.interfaces, dtype=int)
        self.boundary = np.array(self.first[1:], dtype=int)
        n, loads, m = count, len(have), len(cells)
        self.elements, self.loads = slice(0, n), slice(n, n + loads)
        self.walls, self.probes = slice(n + loads, n + loads + m), slice(n + loads + m, 2 * n + loads + m)
        self.electrical, self.lost = 2 * n + loads + m, 2 * n + loads + m + 1
        self.size = 2 * n + loads + m + 2
        # Where Newton's steps begin: the last single point.
        self.guess = np.full((2 * n, 1), ambient)
        self.outer_guess = np.full((n, 1), ambient)
        self.interface_guess = np.full((len(self.interfaces), 1), ambient)
        self.on, self.lid_open = np.zeros((n, 1)), False

    def start(self):
        state = np.full(self.size, float(self.ambient))
        state[[self.electrical, self.lost]] = 0.0
        return state

    def bodies(self, y, chamber, j):
        """What element and load give to their chamber, and the sum's slope against the chamber's temperature."""
        tk = chamber + KELVIN
        element, load = y[self.elements], y[self.loads]
        ea = self.element_emissivity * self.element_surface
        ha = self.h * self.element_surface
        from_element = ea * (SIGMA * (element + KELVIN) ** 4 - j) + ha * (element - chamber)
        slope = -(4 * ea * SIGMA * tk**3 + ha)
        from_load = None
        if len(self.loaded):
            la = self.load_emissivity * self.load_surface
            hl = self.h[self.loaded] * self.load_surface
            from_load = la * (SIGMA * (load + KELVIN) ** 4 - j[self.loaded]) + hl * (load - chamber[self.loaded])
            slope = slope.copy()
            slope[self.loaded] -= 4 * la * SIGMA * tk[self.loaded] ** 3 + hl
        return from_element, from_load, slope

    def through_half_cell(self, rows, half, face, cell):
        """Flux from a face to a cell's centre, conductivity at the mean temperature; and its slope against the face's."""
        k, slope = self.k.at_and_slope(rows, (face + cell) / 2)
        return k * (face - cell) / half, (k + slope * (face - cell) / 2) / half

    def chambers(self, y):
        """Chambers and hot faces in balance: Newton's method, the face eliminated."""
        n, points = self.count, y.shape[1]
        u = np.repeat(self.guess, points, axis=1)
        cells = y[self.walls][self.first]
        rows, half = self.law[self.first], self.dx[self.first] / 2
        ja = SIGMA * (self.ambient + KELVIN) ** 4
        for _ in range(50):
            chamber, face = u[:n], u[n:]
            j, jf = SIGMA * (chamber + KELVIN) ** 4, SIGMA * (face + KELVIN) ** 4
            dj, djf = 4 * j / (chamber + KELVIN), 4 * jf / (face + KELVIN)
            conducted, conducted_slope = self.through_half_cell(rows, half, face, cells)
            conducted, conducted_slope = self.area * conducted, self.area * conducted_slope
            arriving = self.enclosing * (j - jf) + self.h * self.area * (chamber - face)
            by_chamber = self.enclosing * dj + self.h * self.area
            by_face = -self.enclosing * djf - self.h * self.area
            face_residual = arriving - conducted
            face_slope = by_face - conducted_slope
            from_element, from_load, slope = self.bodies(y, chamber, j)
            residual = from_element - arriving - self.leak * (chamber - self.ambient)
            if from_load is not None:
                residual[self.loaded] += from_load
            slope = slope - by_chamber - self.leak
            lid_loss = 0.0
            if self.lid_open:
                z = self.lid["zone"]
                lid_loss = self.lid["open_area"] * (j[z] - ja) + self.lid["open_loss"] * (chamber[z] - self.ambient)
                residual[z] -= lid_loss
                slope[z] -= self.lid["open_area"] * dj[z] + self.lid["open_loss"]
            # face change = -(face_residual + by_chamber·dc)/face_slope
            residual = residual + by_face * face_residual / face_slope
            slope = slope + by_face * by_chamber / face_slope
            if n == 1:
                dc = -residual / slope
            else:
                matrix = np.zeros((points, n, n))
                for z in range(n):
                    matrix[:, z, z] = slope[z]
                for z in range(n - 1):
                    flow = self.view[z] * (j[z] - j[z + 1]) + self.conductance[z] * (chamber[z] - chamber[z + 1])
                    up = self.view[z] * dj[z] + self.conductance[z]
                    down = self.view[z] * dj[z + 1] + self.conductance[z]
                    residual[z] -= flow
                    residual[z + 1] += flow
                    matrix[:, z, z] -= up
                    matrix[:, z, z + 1] += down
                    matrix[:, z + 1, z] += up
                    matrix[:, z + 1, z + 1] -= down
                dc = -np.linalg.solve(matrix, residual.T[:, :, None])[:, :, 0].T
            df = -(face_residual + by_chamber * dc) / face_slope
            u = u + np.concatenate([dc, df])
            if max(np.abs(dc).max(), np.abs(df).max()) < 1e-7:
                break  # the next step would be below 1e-13 or so
        else:
            raise ArithmeticError("chambers do not come into balance")
        if points == 1:
            self.guess = u
        return u[:n], u[n:]

    def outer_faces(self, y):
        cells = y[self.walls][self.last]
        rows, half = self.law[self.last], self.dx[self.last] / 2
        face = np.repeat(self.outer_guess, y.shape[1], axis=1)
        ja = SIGMA * (self.ambient + KELVIN) ** 4
        for _ in range(50):
            inward, inward_slope = self.through_half_cell(rows, half, face, cells)
            lost = self.h_out * (face - self.ambient) + self.e_out * (SIGMA * (face + KELVIN) ** 4 - ja)
            residual = -inward - lost
            slope = -inward_slope - self.h_out - 4 * self.e_out * SIGMA * (face + KELVIN) ** 3
            change = -residual / slope
            face = face + change
            if np.abs(change).max() < 1e-7:
                break
        else:
            raise ArithmeticError("outer faces do not come into balance")
        if y.shape[1] == 1:
            self.outer_guess = face
        return face, -self.through_half_cell(rows, half, face, cells)[0]

    def fluxes(self, cells):
        """From each cell into the next, W/m²; zero where zones meet."""
        _, potential = self.k.at_and_integral(self.law, cells)
        flux = np.zeros((len(cells) + 1, cells.shape[1]))
        flux[1:-1] = (potential[:-1] - potential[1:]) / self.dx[1:]
        flux[self.boundary] = 0.0
        if len(self.interfaces):
            cold = self.interfaces
            hot = cold - 1
            between = np.repeat(self.interface_guess, cells.shape[1], axis=1)
            half_hot, half_cold = self.dx[hot] / 2, self.dx[cold] / 2
            for _ in range(50):
                into_hot, hot_slope = self.through_half_cell(self.law[hot], half_hot, between, cells[hot])
                into_cold, cold_slope = self.through_half_cell(self.law[cold], half_cold, between, cells[cold])
                change = -(into_hot + into_cold) / (hot_slope + cold_slope)
                between = between + change
                if np.abs(change).max() < 1e-7:
                    break
            else:
                raise ArithmeticError("layers do not come into balance")
            if cells.shape[1] == 1:
                self.interface_guess = between
            flux[cold] = -self.through_half_cell(self.law[hot], half_hot, between, cells[hot])[0]
        return flux

    def rates(self, _t, y):
        single = y.ndim == 1
        if single:
            y = y[:, None]
        chamber, face = self.chambers(y)
        _, outward = self.outer_faces(y)
        j = SIGMA * (chamber + KELVIN) ** 4
        from_element, from_load, _ = self.bodies(y, chamber, j)
        power = self.on * self.full / (1 + self.rise * (y[self.elements] - 20.0))
        cells = y[self.walls]
        flux = self.fluxes(cells)
        rows, half = self.law[self.first], self.dx[self.first] / 2
        inward, _ = self.through_half_cell(rows, half, face, cells[self.first])
        gain = flux[:-1] - flux[1:]
        gain[self.first] += inward
        gain[self.last] -= outward
        out = np.zeros_like(y)
        out[self.elements] = (power - from_element) / self.capacity
        if from_load is not None:
            out[self.loads] = -from_load / (self.load_mass * self.load_heat.at(self.load_rows, y[self.loads]))
        out[self.walls] = gain / (self.density * self.c.at(self.law, cells) * self.dx)
        out[self.probes] = (chamber - y[self.probes]) / self.time_constant
        out[self.electrical] = power.sum(axis=0)
        lost = (self.area * outward).sum(axis=0) + (self.leak * (chamber - self.ambient)).sum(axis=0)
        if self.lid_open:
            z, ja = self.lid["zone"], SIGMA * (self.ambient + KELVIN) ** 4
            lost = lost + self.lid["open_area"] * (j[z] - ja) + self.lid["open_loss"] * (chamber[z] - self.ambient)
        out[self.lost] = lost
        return out[:, 0] if single else out

    def stored(self, y):
        """Heat above ambient, J."""
        y, cold = y[:, None], np.full((len(self.law), 1), float(self.ambient))
        heat = self.c.at_and_integral(self.law, y[self.walls])[1] - self.c.at_and_integral(self.law, cold)[1]
        total = (self.cell_area * self.dx * self.density * heat).sum()
        total += (self.capacity * (y[self.elements] - self.ambient)).sum()
        if len(self.loaded):
            cold = np.full((len(self.loaded), 1), float(self.ambient))
            rows = self.load_rows
            heat = self.load_heat.at_and_integral(rows, y[self.loads])[1]
            heat = heat - self.load_heat.at_and_integral(rows, cold)[1]
            total += (self.load_mass * heat).sum()
        return total

    def named(self, y):
        """Temperatures of a state, by the names of the trace; one list for each zone."""
        chamber, face = self.chambers(y[:, None])
        outer, _ = self.outer_faces(y[:, None])
        zones, loads = [], iter(y[self.loads])
        for z in range(self.count):
            load = next(loads) if self.zones[z]["load"] else None
            walls = y[self.walls][self.first[z] : self.last[z] + 1]
            zones.append(
                {
                    "chamber": chamber[z, 0], "probe": y[self.probes][z], "element": y[self.elements][z],
                    "load": load, "hot face": face[z, 0], "outer face": outer[z, 0], "wall": walls,
                }
            )
        return zones


def compare(line, hours):
    """Integrates one firing; the worst differences by name, energies and times."""
    firing = json.loads(line)
    kiln = Kiln(firing["kiln"], firing["ambient"])
    end = min(firing["length_s"], hours * 3600)
    samples = {sample["s"]: sample["zones"] for sample in firing["samples"] if sample["s"] <= end}
    times = np.array(sorted(samples), dtype=float)
    stops = [edge for edge in firing["edges"] if edge["at_us"] / 1e6 < end] + [{"at_us": end * 1e6}]
    y, now = kiln.start(), 0.0
    absolute = np.full(kiln.size, 1e-7)
    absolute[[kiln.electrical, kiln.lost]] = 1.0
    worst, sampled, evaluations, hottest = {}, -1, 0, 0.0
    begun = time.perf_counter()
    for edge in stops:
        at = edge["at_us"] / 1e6
        if at > now:
            wanted = times[(times >= now) & (times <= at) & (times > sampled)]
            found = solve_ivp(
                kiln.rates, (now, at), y, method="Radau", vectorized=True, rtol=1e-9, atol=absolute,
                t_eval=np.unique(np.append(wanted, at)),
            )
            if not found.success:
                raise ArithmeticError(found.message)
            evaluations += found.nfev
            for t, state in zip(found.t, found.y.T):
                if t in samples and t > sampled:
                    sampled = int(t)
                    for zone, (ours, theirs) in enumerate(zip(samples[sampled], kiln.named(state))):
                        hottest = max(hottest, ours["chamber"])
                        for name, value in theirs.items():
                            other = ours[name.replace(" ", "_")]
                            if other is None:
                                continue
                            off = float(np.abs(np.array(other) - value).max())
                            if off > worst.get(name, (-1.0, 0, 0))[0]:
                                worst[name] = (off, sampled, zone)
            y, now = found.y[:, -1], at
        if "lid_open" in edge:
            kiln.lid_open = edge["lid_open"]
        elif "zone" in edge:
            kiln.on[edge["zone"], 0] = float(edge["closed"])
    took = time.perf_counter() - begun
    whole = end == firing["length_s"]
    if sampled != max(samples):
        raise ArithmeticError(f"compared up to {sampled} s only, of {max(samples)} s")
    return {
        "name": firing["name"], "hours": end / 3600, "edges": len(stops) - 1, "hottest": hottest, "worst": worst,
        "joules": {"electrical": y[kiln.electrical], "lost": y[kiln.lost], "stored": kiln.stored(y)},
        "model_joules": firing["joules"] if whole else None,
        "seconds": took, "model_seconds": firing["model_seconds"] if whole else None, "evaluations": evaluations,
    }


def report(result):
    """Prints one firing; whether it agrees."""
    print(f"{result['name']}: {result['hours']:g} h, {result['edges']} switchings, up to {result['hottest']:.0f} °C")
    agrees = True
    for name, (off, second, zone) in result["worst"].items():
        agrees = agrees and off <= LIMIT
        print(f"  {name:<11}{off:8.4f} °C at {second / 3600:.2f} h in zone {zone + 1}")
    ours, theirs = result["model_joules"], result["joules"]
    for who, joules in (("model", ours), ("Radau", theirs)):
        if joules is None:
            continue
        missing = joules["electrical"] - joules["stored"] - joules["lost"]
        share = missing / joules["electrical"]
        agrees = agrees and abs(share) < ENERGY_LIMIT
        print(f"  {who}: {joules['electrical'] / 3.6e6:.4f} kWh in, {joules['lost'] / 3.6e6:.4f} lost, "
              f"{joules['stored'] / 3.6e6:.4f} stored; {share:.1e} of it unaccounted for")
    if ours is not None:
        for name in ours:
            off = abs(ours[name] - theirs[name]) / theirs["electrical"]
            agrees = agrees and off < ENERGY_LIMIT
        ratio = result["seconds"] / result["model_seconds"]
        print(f"  model {result['model_seconds'] * 1e3:.1f} ms, Radau {result['seconds']:.1f} s "
              f"({result['evaluations']} evaluations): {ratio:.0f} times as long")
    print("  agrees" if agrees else f"  DOES NOT AGREE within {LIMIT} °C and {ENERGY_LIMIT:g} of the energy", flush=True)
    return agrees


def main():
    parser = argparse.ArgumentParser(description="compare kiln firings with scipy's Radau; reads JSON lines")
    parser.add_argument("--hours", type=float, default=float("inf"))
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    lines = [line for line in sys.stdin if line.strip()]
    if not lines:
        sys.exit("nothing to compare: standard input holds no firing")
    # The longest first, so that the last job does not run alone for long.
    with multiprocessing.Pool(options.jobs) as pool:
        jobs = [pool.apply_async(compare, (line, options.hours)) for line in lines]
        agree = [report(job.get()) for job in jobs]
    print(f"{sum(agree)} of {len(agree)} firings agree")
    sys.exit(0 if all(agree) else 1)


if __name__ == "__main__":
    main()
