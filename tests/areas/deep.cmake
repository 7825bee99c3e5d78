# Renders of 16 bits and of alpha.
broadloom_test(deep_render_test pipeline/deep_render_test.cpp LINK bl_render
  nlohmann_json::nlohmann_json PkgConfig::JPEG PkgConfig::VIPS)
broadloom_test(deep_bytes_test pipeline/deep_bytes_test.cpp LINK bl_shoot bl_render PkgConfig::VIPS)
