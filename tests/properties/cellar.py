"""The work of a random cellar: writes dated rows of every operation while it keeps exact balances.

Rule: one step is one thing that a cellar does on one day. A day holds one step, or several numbered by
    Sequence; the back and forth of two vats takes four days.
What it does not do: prices and rates (`tests.properties.money`); mistakes: every row is one that a careful
    person could enter.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from fractions import Fraction

from tests.properties.stock import FORMATS, NORMS, Lot, Row, Stock


class Cellar(Stock):
    """A cellar that works; each method is one kind of step and says whether it could be done."""

    def harvest(self) -> bool:
        """Grapes come in and are pressed, on the same day or some days later."""
        rng, grapes = self.rng, []
        for _ in range(rng.choice((1, 1, 2))):
            lot = self.new("grapes")
            kg = self.amount(400, 4_000, 0)
            self.write(
                "deliveries", lot=lot.name, what="grapes", quantity=kg, unit="kg",
                variety=rng.choice(("Chardonnay", "Pinot noir")),
                village=rng.choice(("Amblencourt", "Vernoy")),
            )  # fmt: skip
            self.put(lot, kg)
            grapes.append(lot)
        if self.sequence is None and rng.random() < 0.6:
            self.today += timedelta(days=rng.randint(1, 5))
        elif self.sequence is not None:
            self.sequence += 1
        self.press(grapes)
        for lot in grapes:
            if lot.quantity > 0 and self.sequence is None:  # what was left over is pressed another day
                self.today += timedelta(days=1)
                self.press([lot])
        return True

    def press(self, grapes: list[Lot]) -> None:
        """One press load."""
        rng = self.rng
        load, kilograms = f"P{len({row['load'] for row in self.rows['pressings']}) + 1:03d}", Fraction(0)
        first_rows: list[Row] = []
        for lot in grapes:
            kg = lot.quantity if rng.random() < 0.8 else Fraction(int(lot.quantity * Fraction(3, 5)))
            self.take(lot, kg)
            kilograms += kg
            first_rows.append({"from_lot": lot.name, "weight_kg": kg})
        methods = ("volume", "weight", "sales value", "nrv", "constant margin", "fixed")
        method = rng.choice(methods) if "splits" in self.features else "volume"
        fractions: list[Row] = []
        for fraction, litres_per_kg, price in (("first", 0.51, 14), ("second", 0.125, 10)):
            lot = self.target("must", "")
            litres = Fraction(int(kilograms * Fraction(litres_per_kg) * 10), 10)
            fractions.append(
                {
                    "fraction": fraction, "volume_l": litres, "to_lot": lot.name, "value_per_l": price,
                    "cost_to_complete_per_l": self.amount(0.2, 1.2, 2),
                    "fraction_weight_kg": litres * Fraction(108, 100),
                    "fixed_share": Fraction(85 if fraction == "first" else 15),
                }
            )  # fmt: skip
            self.put(lot, litres)
        if self.on("credits", 0.6):
            fractions.append({"fraction": "by-product", "credit": self.amount(5, 60, 2)})
        for place in range(max(len(first_rows), len(fractions))):
            row = {**(first_rows[place] if place < len(first_rows) else {})}
            row |= fractions[place] if place < len(fractions) else {}
            self.write("pressings", load=load, split_method=method, **row)

    def buy(self) -> bool:
        """Must, wine, reserve or bottles from somebody else."""
        if "bought in" not in self.features:
            return False
        kind = self.rng.choice(("must", "wine", "reserve", "on lees", "finished"))
        bottles = kind in ("on lees", "finished")
        lot = self.new(kind, self.rng.choice(tuple(FORMATS)) if bottles else "", "Brut" if bottles else "")
        quantity = self.amount(100, 900, 0 if bottles else 1)
        row: Row = {"format": lot.format, "cuvee": "Brut"} if bottles else {}
        if bottles:
            row["tirage_date"] = self.today - timedelta(days=500)
        self.write(
            "deliveries", lot=lot.name, what=kind, quantity=quantity, unit="bottles" if bottles else "L",
            supplier="Merchant", price_per_unit=self.amount(2, 12, 2), **row,
        )  # fmt: skip
        self.put(lot, quantity)
        return True

    def move(self) -> bool:
        """Wine from one vat into another, or back into the same one."""
        source = self.pick("must", "wine", "reserve", "blend")
        if source is None:
            return False
        choices = {
            "must": ("settling", "fermentation", "fermentation"),
            "reserve": ("reserve upkeep", "blending", "racking"),
        }
        operation = self.rng.choice(
            choices.get(source.kind, ("racking", "transfer", "topping up", "to reserve", "blending", "barrel ageing"))
        )
        gives = {"fermentation": "wine", "to reserve": "reserve", "blending": "blend", "settling": "must"}
        in_place = self.on("in place", 0.1) and operation in ("racking", "reserve upkeep", "barrel ageing")
        out = self.part(source, 0.5 if source.kind == "must" else 0.3)
        if in_place:
            out = Fraction(int(source.quantity * 5), 10)
        if out < 2:
            return False
        to = source if in_place else self.target(gives.get(operation, source.kind), source.name)
        added = Fraction(int(out * 10) // 50, 10) if self.on("additions", 0.2) else Fraction(0)
        arrived = self.survivors(out, operation) + added
        if in_place and arrived > out:
            arrived = out
        given: object = arrived
        if self.on("blank in", 0.2) and not in_place:
            given, arrived = None, (1 - NORMS.get(operation, Fraction(0))) * out + added
        self.write(
            "movements", operation=operation, from_lot=source.name, out_l=out, to_lot=to.name, in_l=given,
            added_l=added or None,
        )  # fmt: skip
        self.take(source, out)
        self.put(to, arrived)
        return True

    def back_and_forth(self) -> bool:
        """Two vats of one kind top each other up: loops in time."""
        first = self.pick("wine", "reserve", "blend", least=30)
        second = self.pick(first.kind, least=30, but=first.name) if first else None
        if first is None or second is None:
            return False
        for source, to in ((first, second), (second, first)) * 2:
            litres = Fraction(int(source.quantity * Fraction(self.rng.randint(10, 40), 100) * 10), 10)
            self.write(
                "movements",
                operation="topping up",
                from_lot=source.name,
                out_l=litres,
                to_lot=to.name,
                in_l=litres,
            )
            self.take(source, litres)
            self.put(to, litres)
            self.next_moment()
        return True

    def through(self) -> bool:
        """Wine arrives in a lot and some of it leaves on the same day, in their natural order."""
        source, middle = self.pick("wine", least=10), self.pick("wine", least=40)
        if source is None or middle is None or source is middle or self.sequence is not None:
            return False
        out = self.part(source)
        if out < 2:
            return False
        on = Fraction(int(middle.quantity * 5), 10)
        end = self.new("wine")
        legs = [(source, out, middle), (middle, on, end)]
        for start, litres, to in legs if self.rng.random() < 0.5 else legs[::-1]:
            self.write(
                "movements",
                operation="transfer",
                from_lot=start.name,
                out_l=litres,
                to_lot=to.name,
                in_l=litres,
            )
        self.take(source, out)
        self.put(middle, out)
        self.take(middle, on)
        self.put(end, on)
        return True

    def add(self) -> bool:
        """Sugar or must into a lot."""
        lot = self.pick("must", "wine")
        if lot is None or "additions" not in self.features:
            return False
        litres = Fraction(int(lot.quantity / 5), 10)
        if litres > 0:
            self.write("movements", operation="enrichment", to_lot=lot.name, in_l=litres, added_l=litres)
            self.put(lot, litres)
        return litres > 0

    def lose(self) -> bool:
        """A loss from a lot, or an exit in bulk."""
        lot = self.pick("wine", "reserve", "blend", "on lees", least=20)
        operation = self.rng.choice(("loss", "loss", "bulk sale", "distillation", "tasting samples"))
        wanted = "loss rows" if operation == "loss" else "bulk exits"
        if lot is None or wanted not in self.features or (lot.in_bottles and operation != "loss"):
            return False
        digits = 0 if lot.in_bottles else 1
        share = self.rng.choice((1, 5, 30, 100)) if operation == "loss" else self.rng.choice((2, 40, 100))
        out = Fraction(int(lot.quantity * Fraction(share, 100) * 10**digits), 10**digits)
        if out <= 0:
            return False
        if lot.quantity - out < 1:
            out = Fraction(round(lot.quantity * 10**digits), 10**digits)
        money: Row = {"proceeds": self.amount(10, 500, 2)} if operation == "bulk sale" else {}
        column = "out_bottles" if lot.in_bottles else "out_l"
        self.write("movements", operation=operation, from_lot=lot.name, **{column: out}, **money)
        self.take(lot, out)
        return True

    def measure(self) -> bool:
        """A gauging or a count."""
        lot = self.pick("must", "wine", "reserve", "blend", "on lees", "finished", least=20)
        if lot is None or "stocktakes" not in self.features:
            return False
        share = self.rng.choice((100, 100, 99, 98, 90))
        if self.on("gains", 0.15):
            share = 101
        digits = 0 if lot.in_bottles else 1
        found = Fraction(int(lot.quantity * Fraction(share, 100) * 10**digits), 10**digits)
        self.write("stocktakes", lot=lot.name, quantity=found)
        lot.quantity = found
        return True

    def bottle(self) -> bool:
        """A tirage."""
        wine = self.pick("blend", "wine", least=60)
        if wine is None:
            return False
        name = self.rng.choice(tuple(FORMATS))
        cuvee = self.rng.choice(("Brut", "Prestige"))
        litres = self.part(wine, 0.4)
        liqueur = Fraction(int(litres / 2), 10)
        bottles = Fraction(int(self.survivors((litres + liqueur) / FORMATS[name], "bottling")))
        if bottles < 8:
            return False
        given: object = litres
        if self.on("blank in", 0.2):
            if bottles * FORMATS[name] - liqueur > wine.quantity:
                return False
            given, litres = None, bottles * FORMATS[name] - liqueur
        stack = self.new("on lees", name, cuvee)
        self.write(
            "tirage", cuvee=cuvee, to_lot=stack.name, wine_lot=wine.name, wine_l=given, liqueur_l=liqueur,
            sugar_g_per_l=24, format=name, bottles=bottles, location="Cellar 2",
        )  # fmt: skip
        self.take(wine, litres)
        self.put(stack, bottles)
        return True

    def disgorge(self) -> bool:
        """A release from a stack."""
        stack = self.pick("on lees", least=8)
        if stack is None:
            return False
        taken = self.part(stack)
        good = max(Fraction(1), min(taken, self.survivors(taken, "disgorgement", 0)))
        liqueur_lot = self.pick("wine", "reserve", "blend", least=30) if self.rng.random() < 0.5 else None
        liqueur = Fraction(int(good * stack.litres_per_unit / 10) + 1, 10)
        row: Row = {}
        if liqueur_lot is not None and liqueur < liqueur_lot.quantity - 2:
            row = {"liqueur_lot": liqueur_lot.name, "liqueur_l": liqueur}
            self.take(liqueur_lot, liqueur)
        release = self.new("finished", stack.format, stack.cuvee)
        self.write(
            "disgorgements", release_lot=release.name, from_lot=stack.name, bottles_in=taken,
            bottles_out=good, riddling=self.rng.choice(("hand riddling", "machine riddling")),
            dosage_g_per_l=8, **row,
        )  # fmt: skip
        self.take(stack, taken)
        self.put(release, good)
        return True

    def dispatch(self) -> bool:
        """Bottles leave."""
        release = self.pick("finished", least=2)
        if release is None:
            return False
        bottles = self.part(release)
        channel = self.rng.choice(("Trade", "Cellar door", "Samples", "Hospitality"))
        self.write(
            "dispatches", release_lot=release.name, channel=channel, bottles=bottles,
            net_price=self.amount(12, 30, 2) if channel in ("Trade", "Cellar door") else None,
        )  # fmt: skip
        self.take(release, bottles)
        return True

    def change(self) -> bool:
        """Bottles emptied back into a vat, filled into another format, or declared another cuvée."""
        lot = self.pick("on lees", least=20)
        operation = self.rng.choice(("re-bulking", "decanting", "downgrading"))
        feature = "back to wine" if operation == "re-bulking" else "decanting"
        if lot is None or feature not in self.features:
            return False
        out = Fraction(int(lot.quantity * Fraction(self.rng.randint(10, 60), 100)))
        row: Row = {"from_lot": lot.name, "out_bottles": out}
        if operation == "re-bulking":
            to, arrived = self.new("wine"), self.survivors(out * lot.litres_per_unit, operation)
            row |= {"in_l": arrived}
        else:
            name = self.rng.choice(tuple(FORMATS)) if operation == "decanting" else lot.format
            fill = out * lot.litres_per_unit / FORMATS[name]
            arrived = Fraction(int(min(fill, self.survivors(fill, operation))))
            to = self.new("on lees", name, "Prestige")
            row |= {"in_bottles": arrived, "format": name, "cuvee": "Prestige"}
        if arrived < 1:
            del self.lots[to.name]
            return False
        self.write("movements", operation=operation, to_lot=to.name, **row)
        self.take(lot, out)
        self.put(to, arrived)
        return True

    def work(self, steps: int) -> None:
        """That many steps."""
        does: list[Callable[[], bool]] = [
            *[self.move] * 6, self.back_and_forth, self.through, self.add, self.lose, self.change,
            *[self.harvest, self.measure, self.bottle, self.disgorge, self.dispatch] * 2, self.buy,
        ]  # fmt: skip
        done = 0
        self.harvest()
        while done < steps:
            self.today += timedelta(days=self.rng.randint(1, 30))
            self.sequence = 1 if self.on("numbered days", 0.25) else None
            for _ in range(self.rng.randint(2, 4) if self.sequence else 1):
                done += self.rng.choice(does)()
                if self.sequence is not None:
                    self.sequence += 1
            self.sequence = None
