"""The analysis of a bake log: hours of a cavity's temperature, made into cycles, their mean, and an advice."""
