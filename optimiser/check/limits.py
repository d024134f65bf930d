"""Every limit the check judges, by name, in the order of its report; and the roundings it forgives. In: -. Out: names.

The tolerances are those of the rules of account: half a unit in the last printed digit of each number that enters.
"""

from __future__ import annotations

PLACE_M = 0.001 + 1e-7
LENGTH_M = 0.002 + 1e-7
VOLT = 0.002 + 1e-9
AMP = 0.002 + 1e-9
CENT = 0.01 + 1e-7

LIMITS: dict[str, str] = {
    # what the plan is made of
    "finite numbers": "every number is finite and of human size",
    "digest": "the plan was made from this job and survey",
    "unique ids": "each id is used once",
    "references": "every id named exists, and both sides name each other",
    "known names": "models, cables, kits, sleeves, grounds and supply points are the job's",
    "every lamp once": "each surveyed lamp is in the plan once",
    "surveyed places": "lamps and drivers stand where they were measured, and are what the survey says",
    "copies": "title, currency, site and cables printed are those of job and survey",
    "circuit trees": "each circuit is a tree from its outlet, with a lamp at every end",
    "one circuit a joint": "no joint holds two circuits",
    "runs": "pieces of one run are one cable in a row, in a job that taps",
    # counts and sizes
    "outlets": "each outlet exists and feeds one circuit",
    "outlet cables": "an outlet takes no more cables than its model says",
    "outlet conductor": "an outlet takes no thicker conductor than its model says",
    "drivers at supply": "no more drivers than the supply point takes",
    "drivers asked": "as many drivers as were asked for, if a number was",
    "taps": "each tap is offered, one for the driver unless each outlet has its own",
    "dim groups": "a driver (or an independent outlet) serves one dim group",
    "volts and kind": "each lamp hangs on a driver of its volts and kind",
    "ways": "ways of a joint are its cables and leads",
    "hubs": "a hub is a joint that more than one cable or more than one lead leaves",
    "joint kits": "each kit takes the ways and conductors that meet in it",
    "post terminals": "a post takes two cables of its size, and no lead but its own lamp",
    "gauges": "no more sizes of cable than the job allows",
    "buried conductor": "no buried cable is thinner than the job allows",
    # places and ways
    "heights": "heights are those measured, and what is laid follows the surface between them",
    "route ends": "each route runs from its driver or joint to its joint",
    "route lengths": "lengths printed are those of the routes",
    "cables in trenches": "every part of every cable lies in one trench that lists it, and in no other",
    "trenches once": "no trench is listed twice",
    "no-dig": "no trench enters a no-dig zone",
    "keep-off": "trenches keep off no-dig zones",
    "trunks": "trenches and joints keep off trunks",
    "stubs": "a stub is the short straight way out of a supply point, a post or a sleeve's end",
    "trench ground": "each trench lies in the ground it names, at that ground's depth",
    "surface lengths": "metres on the surface are those of trenches of depth 0",
    "sleeves": "a sleeve is passed whole, from end to end, and holds no joint",
    "sleeve capacity": "no more cables in a sleeve than it takes",
    "mains clearance": "cables keep off mains lines but for short crossings",
    "warnings": "mains crossed, roots, shallow trenches, lamps where nothing is dug, limits assumed, heavy loads and "
    "what the survey's reader noted are warned of",
    "joint ground": "joints stand on ground that allows them",
    "joint keep-off": "joints keep off no-dig zones",
    "joint clear of water": "joints keep off water",
    "joint clear of mains": "joints keep off mains lines",
    "lamp clear of water": "lamps keep off water, submersible ones excepted",
    "driver clear of water": "drivers keep off water",
    "lead reach": "no joint lies beyond its lamp's lead",
    "lead ways": "leads run straight, over ground that lets them",
    "aiming": "each lead reaches its lamp anywhere within its aim reserve, where the job asks for it",
    # money
    "whole cents": "money is in whole cents, cuts in whole decimetres",
    "trench prices": "trenches cost what their ground costs",
    "lead prices": "leads cost what their ground costs",
    "extensions": "extensions of leads are allowed, and cost flex and a joint",
    "cuts": "each cut is route, slack and ends",
    "cable prices": "cables cost their cut length",
    "joint prices": "joints cost the cheapest kit that fits",
    "driver prices": "drivers cost what the job says",
    "fuse prices": "fuses cost what the job says",
    "cost": "the cost is the sum of its items",
    "longest cut": "no cut is longer than the longest reel",
    "cut list": "each piece is cut once, from a reel that exists and is long enough",
    "reels": "reels to buy are those of the cut list",
    "quote": "the quote is what the job's rates and times make of the plan",
    # volts and amps
    "collapse": "every driver's network has an operating point",
    "window low": "all on, at the lowest source, no lamp is below its window",
    "window high": "alone on, at the highest source, no lamp is above its window",
    "drop": "no drop is greater than the job allows",
    "cable rating": "no cable carries more than its rating",
    "outlet amps": "no outlet is over its amps, nor over what a breaker built into it carries",
    "circuit amps": "no circuit is over the job's amps",
    "rated amps": "no transformer gives more than its rated amps at its highest tap",
    "driver load": "no driver is loaded beyond its limit",
    "start": "no driver has to start more inrush or input capacitance than it can",
    "printed volts": "volts printed are those of the network",
    "printed bands": "what the measuring sheet allows is what the network allows",
    "printed amps": "amps printed are those of the network",
    "printed drops": "drops printed are those of the network",
    "printed margins": "margins printed are those of the network",
    "printed loads": "loads printed are those of the network",
    "spare load": "figures with spare load are printed where the job asks for it, and are those of the network",
    # tolerances
    "certainty": "tolerances printed are the job's, and nothing is said to be certain where it does not ask",
    "guaranteed volts": "volts said to be guaranteed are those of the network's worst corners",
    "guaranteed window": "no lamp leaves its window at any corner, where the job asks for it",
    "guaranteed drop": "no drop is greater than allowed with everything at its heaviest, where the job asks for it",
    "chances": "chances of leaving a window are those of the check's own samples, within what sampling can tell",
    # protection
    "fuse ratings": "fuses and breakers are ones to be had",
    "cable protection": "the driver's limit, or a fuse, is no greater than the rating of any cable behind it",
    "fuse load": "amps stay below the part of the fuse's rating that the job allows",
    "short opens": "a short at any far end opens the fuse, and the driver can drive it",
    "printed shorts": "fault currents printed are those of the network",
    "lead protection": "every lead is safe in a short",
    # the mains side, a year's use
    "timer": "no supply point draws more than its timer, relay or contactor takes",
    "dimmer": "no supply point draws more than its mains dimmer takes",
    "inrush": "no supply point's drivers draw more inrush than its timer, relay or dimmer switches on",
    "mains side": "what is printed of the mains side follows from the drivers",
    "nights": "nights and hours printed are those of the job's schedule",
    "energy": "energy printed is that of lamps, cable, drivers and standby in those hours",
    "running cost": "the year's energy costs what the job's tariff says",
    # the bound
    "bound": "bound and gap agree with the cost",
}
