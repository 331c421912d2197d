"""What root asks guests and about guests: monitors, agents, those that libvirt holds, and the devices they hold."""
