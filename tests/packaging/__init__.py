"""What installs: locks, wheel, commands, image and continuous integration."""
