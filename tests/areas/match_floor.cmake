# The match floor once more by other means: frames turned by plain code, points near the borders of
# pieces, and pairs cut from the world that made-up cards are photographs of.
broadloom_test(match_frames_test unit/match_frames_test.cpp LINK bl_match PkgConfig::JPEG)
broadloom_test(match_features_test unit/match_features_test.cpp LINK bl_match)
broadloom_test(match_pairs_test unit/match_pairs_test.cpp LINK bl_card_shoot bl_match)
