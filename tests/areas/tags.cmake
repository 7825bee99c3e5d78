# What the camera wrote about a photograph, and camera raw files.
add_library(bl_exif_block STATIC support/exif_block.cpp support/dng_file.cpp)
target_include_directories(bl_exif_block PUBLIC ${PROJECT_SOURCE_DIR}/tests)
broadloom_test(photo_tags_test unit/photo_tags_test.cpp LINK bl_exif_block bl_io PkgConfig::JPEG)
broadloom_test(raw_file_test unit/raw_file_test.cpp LINK bl_exif_block bl_io PkgConfig::JPEG
  PkgConfig::RAW)
