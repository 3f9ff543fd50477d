"""Rooms, responses, echoes, image, repair: against ISO 3382, image sources, closed forms and slow twins."""
