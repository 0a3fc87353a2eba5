"""What stands out in a fleet though no rule forbids it.

columns         what is compared: delays of one step, tries, traffic, as columns
medians         medians of delays, some of which are only known to be longer than something
outliers        delays and vehicles that are far from what the fleet takes for a step
season          what a fleet does from day to day, so that winter is not taken for wear
drift           delays of one vehicle that grow or shrink, and when they will cross their limit
retries         a first step that has to be sent oftener than it used to be
traffic         messages that came, went or changed their cycle time
skew            which steps are one feedback following the other
discovery_rate  one family of all tests, so that false alarms stay rare
find            all of it, from a ledger to anomalies
"""
