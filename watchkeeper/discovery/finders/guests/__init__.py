"""Finds guests under QEMU and libvirt, and services that run in them."""
