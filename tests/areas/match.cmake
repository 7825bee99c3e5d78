# Reduced upright frames, features, and the registration of pairs.
broadloom_test(reduced_frame_test unit/reduced_frame_test.cpp LINK bl_match PkgConfig::JPEG)
