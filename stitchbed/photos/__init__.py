"""The road of photographs: pictures of a plane into its true shape and color."""
