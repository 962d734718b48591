"""The drive of a second, independent car: road speed, gear and what the driver does, on a grid.

It shares nothing with ``fixtures``: there the driver works the pedal and the car follows; here the
road is given and the engine is worked back from it, full-throttle runs apart.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

DT = 0.01
Array = NDArray[np.float64]
TURNS = 60.0 / (2.0 * np.pi)


@dataclass(frozen=True)
class Car:
    cylinders: int = 4
    litres: float = 1.8
    mass: float = 1250.0
    drag_area: float = 0.68
    rolling: float = 0.013
    wheel: float = 0.30
    gears: tuple[float, ...] = (12.9, 7.4, 5.0, 3.75, 3.05)
    boost: float = 170.0  # kPa the wastegate holds; 0: naturally aspirated
    idle: float = 880.0
    thermostat: float = 86.0
    injector: float = 440.0  # cm3/min
    inertia: float = 0.22


@dataclass(frozen=True)
class World:
    ambient: float = 18.0
    barometer: float = 99.0
    start: float | None = None  # coolant at the start where it is not the outside temperature


def filling(rpm: Array, kpa: Array) -> Array:
    """Volumetric efficiency."""
    hump = 0.06 * np.exp(-(((rpm - 4000.0) / 1800.0) ** 2))
    return 0.62 + 0.22 * np.clip((kpa - 25.0) / 75.0, 0.0, 1.2) + hump


def friction(rpm: Array, celsius: Array) -> Array:
    """Friction mean effective pressure, kPa."""
    return (95.0 + 0.016 * rpm) * (1.0 + 0.9 * np.exp(-(celsius + 10.0) / 28.0))


def torque(car: Car, rpm: Array, kpa: Array, barometer: float, celsius: Array) -> Array:
    """Brake torque in N m from mean effective pressures."""
    pumping = np.maximum(barometer - kpa, -40.0)
    mean = 11.3 * filling(rpm, kpa) * kpa - pumping - friction(rpm, celsius)
    return mean * car.litres / (4.0 * np.pi)


def pressure_for(car: Car, rpm: Array, need: Array, barometer: float, celsius: Array) -> Array:
    """Manifold pressure that gives a torque, by a damped fixed point."""
    total = need * 4.0 * np.pi / car.litres + barometer + friction(rpm, celsius)
    kpa = np.full_like(rpm, 60.0)
    for _ in range(12):
        kpa = 0.5 * kpa + 0.5 * total / (11.3 * filling(rpm, kpa) + 1.0)
    return kpa


def resistance(car: Car, speed: Array) -> Array:
    """Road load, N."""
    return car.mass * 9.81 * car.rolling * (speed > 0.2) + 0.6 * car.drag_area * speed**2


class Drive:
    """Verbs that append to arrays; ``events`` holds (name, second)."""

    def __init__(self, car: Car, world: World, seed: int) -> None:
        self.car, self.world, self.rng = car, world, np.random.default_rng(seed)
        self.speed_parts: list[Array] = []
        self.gear_parts: list[Array] = []
        self.load_parts: list[Array] = []
        self.mode: list[str] = []
        self.events: list[tuple[str, float]] = []
        self.now = self.speed = 0.0

    def add(self, speed: Array, gear: int, mode: str, load: Array | None = None) -> "Drive":
        count = len(speed)
        self.speed_parts.append(speed)
        self.gear_parts.append(np.full(count, float(gear)))
        self.load_parts.append(np.zeros(count) if load is None else load)
        self.mode += [mode] * count
        self.now += count * DT
        self.speed = float(speed[-1]) if count else self.speed
        return self

    def mark(self, name: str) -> "Drive":
        self.events.append((name, self.now))
        return self

    def stand(self, mode: str, seconds: float) -> "Drive":
        return self.add(np.zeros(int(seconds / DT)), 0, mode)

    def start(self, key: float = 4.0, crank: float = 0.9) -> "Drive":
        self.stand("key", key).mark("crank").stand("crank", crank)
        return self.mark("fire")

    def idle(self, seconds: float) -> "Drive":
        return self.stand("run", seconds)

    def off(self, seconds: float) -> "Drive":
        return self.mark("off").stand("off", seconds)

    def per_speed(self, gear: int) -> float:
        """Engine rpm per m/s of road speed."""
        return TURNS / self.car.wheel * self.car.gears[gear - 1]

    def best(self, rpm: float = 2100.0) -> int:
        turns = [self.speed * self.per_speed(g + 1) for g in range(len(self.car.gears))]
        fit = [g + 1 for g, n in enumerate(turns) if n >= 0.75 * rpm]
        return fit[-1] if fit else 1

    def to(self, kmh: float, rate: float = 1.1) -> "Drive":
        target, top = kmh / 3.6, len(self.car.gears)
        while abs(self.speed - target) > 0.05:
            up = target > self.speed
            gear = self.best() if up else self.best(1500.0)
            if up:
                limit = 2700.0 / self.per_speed(gear) if gear < top else target
                end = min(target, limit if limit > self.speed + 0.05 else self.speed + 3.0)
            else:
                limit = 1250.0 / self.per_speed(gear) if gear > 1 else 0.0
                end = max(target, limit if limit < self.speed - 0.05 else self.speed - 2.0)
            change = rate * (1.0 - 0.1 * gear) if up else 1.2 * rate
            count = max(int(abs(end - self.speed) / change / DT), 2)
            self.add(np.linspace(self.speed, end, count + 1)[1:], gear, "run")
            if up and abs(end - target) > 0.05:
                self.add(np.full(int(0.5 / DT), self.speed), self.best(), "shift")
        return self

    def hold(self, seconds: float) -> "Drive":
        at = np.arange(int(seconds / DT)) * DT
        sway = 0.12 * np.sin(at / 7.0 + self.rng.uniform(0, 6)) + 0.06 * np.sin(at / 2.3)
        ends = np.minimum(1.0, np.minimum(at, at[::-1]) / 3.0)
        return self.add(self.speed + sway * ends, self.best(), "run")

    def town(self, times: int) -> "Drive":
        for _ in range(times):
            self.to(self.rng.uniform(35, 55)).hold(self.rng.uniform(12, 30)).to(0, 1.3)
            self.idle(self.rng.uniform(8, 25))
        return self

    def pull(self, gear: int, low: float, high: float) -> "Drive":
        """Full throttle from one engine speed to another: the boost rises, the car follows."""
        car, air, per = self.car, self.world.barometer, self.per_speed(gear)
        self.to(low / per * 3.6 - 0.2)
        self.add(np.full(int(1.5 / DT), self.speed), gear, "run").mark("pull")
        speed, kpa, speeds, loads = self.speed, 60.0, [], []
        warm = np.array([85.0])
        while speed * per < high and len(speeds) < 2500:
            rpm = speed * per
            natural = air * (0.985 - 0.012 * (rpm / 6000.0) ** 2)
            can = natural
            if car.boost and kpa > natural - 4.0:
                can += (car.boost - natural) * min(max((rpm - 1500.0) / 1500.0, 0.0), 1.0)
            lag_s = 0.07 if kpa < natural - 1.0 else 0.25 + 810.0 / rpm
            kpa += (can - kpa) * DT / lag_s
            turn = torque(car, np.array([rpm]), np.array([kpa]), air, warm)[0]
            force = turn * car.gears[gear - 1] / car.wheel * 0.92
            drag = resistance(car, np.array([speed]))[0]
            speed += float(force - drag) / car.mass * DT
            speeds.append(speed)
            loads.append(kpa)
        self.add(np.array(speeds), gear, "pull", np.array(loads)).mark("pull_end")
        return self.add(self.speed - 0.6 * np.arange(60) * DT, gear, "coast")

    def coast(self, kmh: float) -> "Drive":
        """Pedal released in gear: engine drag and road slow the car."""
        car, gear = self.car, self.best(2600.0)
        per, speed, speeds = self.per_speed(gear), self.speed, []
        drag = car.litres * 16.0 * car.gears[gear - 1] / car.wheel
        while speed > kmh / 3.6 and speed * per > 1300.0:
            speed -= float(drag + resistance(car, np.array([speed]))[0]) / car.mass * DT
            speeds.append(speed)
        return self.add(np.array(speeds), gear, "coast")
