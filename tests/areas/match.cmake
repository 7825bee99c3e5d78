# Reduced upright frames, features, and the registration of pairs.
broadloom_test(reduced_frame_test unit/reduced_frame_test.cpp LINK bl_match PkgConfig::JPEG)
broadloom_test(features_test unit/features_test.cpp LINK bl_match)
broadloom_test(pairs_test unit/pairs_test.cpp LINK bl_match)
