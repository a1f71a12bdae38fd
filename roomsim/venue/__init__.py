"""What the user wrote: description files, meshes, materials."""
