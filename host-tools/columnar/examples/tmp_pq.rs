//! throwaway
fn main(){ let a:Vec<String>=std::env::args().collect(); println!("{:?}", airvalve_columnar::write_parquet(&a[1],&a[2])); if let Err(e)=airvalve_recording::export_csv(&a[1],"/tmp/rec-tmp/x.csv"){println!("{e}");} }
