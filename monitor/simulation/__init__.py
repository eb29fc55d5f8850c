"""A site that answers by the real protocols on loopback, with its own physics, weather and faults.

It never imports budgets, margins or alarms: a wrong formula would then agree with itself.
"""
