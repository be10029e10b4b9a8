"""What people read: pages made of templates. Nothing here judges anything."""
