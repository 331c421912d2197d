"""What people read about an alert: sentences, bodies, digests, reminders and links. Pure.

Not here: the forms of mail, webhook and MQTT (notifiers/), and delivery.
"""
