"""From the mouths to feed to what to set up tonight.

``demand``: how many nauplii each feeding needs. ``keeper``: when somebody is there. ``sources``: what a batch
would give, and when. ``patterns``: each start with the feedings it could serve, and the grams that takes.
``program``: the choice among them as an integer program. ``joint``: what a plan is worth, all batches
together. ``plan``: all of it, from question to plan. ``mend``: what to change when a feeding fails.

Hours (``_h``) count from the ``origin`` of a question, a quarter of an hour of the UTC clock.
"""
