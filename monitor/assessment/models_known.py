"""Which models judge: one row each. Whoever adds a model adds its row here.

May import: models, monitor.assessment.modelling.
"""

from monitor.assessment.modelling import Models

MODELS = Models()
