"""An expectations file becomes rules.

load        ``load_expectations``: a TOML file, checked, with every problem at its line and column
conditions  ``parse_condition``, ``parse_trigger``: the condition language
wording     ``condition_text``, ``trigger_text``: conditions back into words
quantities  ``convert``, ``parse_quantity``, ``same_unit``: numbers with a unit
resolve     ``validate_against``, ``raw_values``: expectations held against definitions
schema      ``describe``: the reference of the file's keys
model       the records
"""
